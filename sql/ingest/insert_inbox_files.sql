-- One row per file of the inbox that is now wholly taken in. Input: incoming.
insert or replace into inbox_files (file_path, size_bytes, modified_ns, source_ids)
select
    file_path,
    size_bytes,
    modified_ns,
    source_ids
from incoming
