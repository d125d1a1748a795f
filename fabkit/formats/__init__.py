"""One room a published format: bytes in, columns and problems out."""
