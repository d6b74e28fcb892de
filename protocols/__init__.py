"""Ready protocols, benches and specimens."""
