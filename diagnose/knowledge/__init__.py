"""The knowledge base: read and checked (``load``, ``decode``), and what is kept of it between runs (``cache``)."""
