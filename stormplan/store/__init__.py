"""The one database, its schema and its stores, and report folders written whole."""
