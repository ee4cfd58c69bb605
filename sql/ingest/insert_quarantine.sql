-- One row per row set aside. Input: incoming.
insert into quarantine (
    file_id, file_path, file_row, rule, column_name, value, expected, raw_row
)
select
    file_id,
    file_path,
    file_row,
    rule,
    column_name,
    value,
    expected,
    raw_row
from incoming
