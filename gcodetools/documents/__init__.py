"""YAML of ours: read with line marks, validated with line-true errors, looked up as profiles."""
