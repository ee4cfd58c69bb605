-- One row per new file: its id in the ledger. Parameter: files_n.
select nextval('file_ids') as file_id
from range($files_n)
