"""What casts and nominals say about their mould: mouldability, shrinkage, correction, wear."""
