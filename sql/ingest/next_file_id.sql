-- One row: the id of the next file in the ledger.
select nextval('file_ids') as file_id
