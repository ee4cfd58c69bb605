"""The winter budget as a document: words, charts, tables and the page they stand on."""
