"""The analyst's preparation of standard solutions: from the levels wanted to masses, aliquots and values."""
