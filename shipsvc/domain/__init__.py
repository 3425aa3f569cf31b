"""Values and rules; imports only the standard library (see DEVELOPERS.md)."""
