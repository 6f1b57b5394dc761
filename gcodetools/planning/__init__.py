"""Print runs: which plates on which printer when, how sure, on which spools. Numbers in, numbers out."""
