"""One chip, one file; a driver knows its bus, never its pins and never another driver."""
