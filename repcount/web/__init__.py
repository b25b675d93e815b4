"""`repcount serve`: upload, queue, review and share, over the library. No pixel is read here."""
