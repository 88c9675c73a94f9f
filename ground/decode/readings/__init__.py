"""From records to tables of readings in physical units, with the flags that the board and the ground give them."""
