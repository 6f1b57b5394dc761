"""Changed moves to text: pieces, wanted settings, splices, audit. Knows no kit and no treatment."""
