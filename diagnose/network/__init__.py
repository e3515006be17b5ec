"""The Bayesian network of one panel and exact inference in it; for the reference library too (``pgmpy_bridge``)."""
