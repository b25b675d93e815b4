"""The whole way from a video to a folder of results."""
