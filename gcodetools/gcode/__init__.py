"""Text to moves: reads every line of a sliced file, keeps every byte. Knows no marks, layers or kit."""
