"""What drafting stages are built on: the gusset's width, obstacles on tubes, room for letters."""
