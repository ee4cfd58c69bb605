-- Keeps the mapping by which a source's files are taken in. Parameters: source_id, fingerprint.
insert or replace into source_mappings (source_id, fingerprint)
values ($source_id, $fingerprint)
