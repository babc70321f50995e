"""The clock's history in a database."""
