"""Records and photos on disk: tables, migrations, blobs."""

# All tables are known whoever asks for one: migrations, backups and the sweeper walk them all.
from wearvision_api.store import honesty_tables, record_tables, return_tables, tables, teaching_tables

__all__ = ["honesty_tables", "record_tables", "return_tables", "tables", "teaching_tables"]
