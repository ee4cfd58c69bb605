-- Size and time of change of files that were rewritten, so that none is read again.
-- Input: rewritten_inbox (file_path, size_bytes, modified_ns). Parameters: none.
update inbox_files as f
set
    size_bytes = r.size_bytes,
    modified_ns = r.modified_ns
from rewritten_inbox as r
where f.file_path = r.file_path
