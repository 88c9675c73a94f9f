"""A pretend flight: the world it happens in, and (in `board/`) the chips that the real firmware reads it through."""
