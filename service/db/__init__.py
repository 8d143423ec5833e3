"""The database: the engine, the tables and the migrations."""
