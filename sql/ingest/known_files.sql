-- One row per content and source taken in before.
select
    content_sha256,
    source_id
from files
