"""Shapes that start from numbers or from a traced edge: skirts, domes of gores, strips."""
