"""Arrays and tables in, numbers with intervals out."""
