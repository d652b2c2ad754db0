"""What several drafting stages share: obstacles on tubes, room for letters."""
