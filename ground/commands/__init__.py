"""One file per command: its words, its options, and the calls that do the work."""
