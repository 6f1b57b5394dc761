"""What follows from the moves: times, temperatures, bonds. Arrays and frozen records in, arrays out; no I/O."""
