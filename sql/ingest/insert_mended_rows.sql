-- One row per row put right. Input: incoming.
insert into mended_rows (file_id, file_path, file_row, rule, column_name, value, used_instead)
select
    file_id,
    file_path,
    file_row,
    rule,
    column_name,
    value,
    expected
from incoming
