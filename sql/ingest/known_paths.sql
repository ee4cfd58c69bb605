-- One row per path of the inbox whose content, as of size and time, is wholly taken in.
select
    file_path,
    size_bytes,
    modified_ns,
    source_ids
from inbox_files
