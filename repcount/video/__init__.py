"""A video file as upright frames with true times, and its sound."""
