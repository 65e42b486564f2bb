"""One thin file per command: parse, load, call one library function, write."""
