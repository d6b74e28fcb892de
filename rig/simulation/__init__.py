"""The simulated bench, reached by its URL."""
