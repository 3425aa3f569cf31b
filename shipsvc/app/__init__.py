"""One function per use case; never commits."""
