-- Writes a week's rows of reconciliation. Input: reconciliation_rows, with all its columns.
insert into reconciliation by name
select * from reconciliation_rows
