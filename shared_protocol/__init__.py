"""What both ends must agree on: bytes of a log, records, raw-word conversions. Imports nothing but itself."""
