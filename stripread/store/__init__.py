"""Database, photographs, audit trail and accounts: every reading can be traced to its photograph and reproduced."""
