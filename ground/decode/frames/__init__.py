"""From bytes to records: every intact frame once, boot by boot in order, and the damage between them."""
