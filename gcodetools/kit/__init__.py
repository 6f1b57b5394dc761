"""What the designer wrote down: parts, regions, loads; where they stand and which beads they hold."""
