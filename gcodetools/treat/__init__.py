"""One file a kit key: each turns a setting into wanted columns of a Draft, and says what was done."""
