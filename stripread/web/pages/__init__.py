"""What is behind each way in: an act takes an `Ask` and answers it; one file a subject."""
