"""Notes for building the box, and the scripts that draw and compute what stands in them."""
