"""What several exporters share: the file that they make."""
