"""Records out of one store and into another, tables for other programs, and tables that people wrote."""
