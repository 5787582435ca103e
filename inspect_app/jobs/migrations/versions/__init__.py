"""One migration a file; each names the one before it."""
