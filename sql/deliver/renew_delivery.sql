-- An item a person wants sent again, with the documents as they lie there now.
-- Parameters: item_id, now, files, content_sha256, size_bytes.
update deliveries
set
    state = 'waiting',
    why = null,
    files = $files,
    content_sha256 = $content_sha256,
    size_bytes = $size_bytes,
    tries_n = 0,
    first_tried_at = null,
    next_try_at = $now
where item_id = $item_id
