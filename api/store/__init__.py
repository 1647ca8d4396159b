"""Records and photos on disk: tables, migrations, blobs."""
