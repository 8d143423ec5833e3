"""Where records are kept: the engine, the metadata and the migrations."""
