"""mistd keeps the water film on unrooted cuttings in a propagation house."""
