"""Comments and object commands of sliced files: read by tables, one a convention. Knows no geometry."""
