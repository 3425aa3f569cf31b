"""HTTP: the only commit of a request, problems, schemas."""
