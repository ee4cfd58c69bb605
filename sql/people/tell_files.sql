-- Size and hash of files that were rewritten, so that none counts as new.
-- Input: rewritten_files (file_path, size_bytes, content_sha256, old_sha256: of several files of
-- one name, which; null is all). Parameters: none.
update files as f
set
    size_bytes = r.size_bytes,
    content_sha256 = r.content_sha256
from rewritten_files as r
where f.file_path = r.file_path and f.content_sha256 = coalesce(r.old_sha256, f.content_sha256)
