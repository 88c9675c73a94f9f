"""The virtual GNSS receiver: what it knows, what it says and how it is configured."""
