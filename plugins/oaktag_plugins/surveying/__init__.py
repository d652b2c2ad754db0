"""Adjusting readings: least squares, blunders, bent tubes, openings with their accuracy."""
