"""Moves to geometry: layers, beads, features, islands, filament."""
