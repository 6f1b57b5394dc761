"""Settings of a slicer as files state them: read with their spans, named neutrally, changed to the byte."""
