"""What was recovered, from where, what is missing and what it would take: for integrity.json and for a person."""
