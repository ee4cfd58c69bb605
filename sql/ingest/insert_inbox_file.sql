-- The content at one path of the inbox is wholly taken in, for these sources.
-- Parameters: file_path, size_bytes, modified_ns, source_ids.
insert or replace into inbox_files (file_path, size_bytes, modified_ns, source_ids)
values ($file_path, $size_bytes, $modified_ns, $source_ids)
