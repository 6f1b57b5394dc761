"""The Hoophouse demo: a maker of sliced plates and the run over them. Test and demo equipment."""
