"""Rendered attempts with exact ground truth, and the code that renders them."""
