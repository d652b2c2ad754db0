"""Reading files back, each with a library that did not write it."""
