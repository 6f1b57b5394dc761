"""One file a job. Each returns the record that text, JSON and library share."""
