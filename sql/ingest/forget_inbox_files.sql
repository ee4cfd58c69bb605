-- Has every file of the inbox looked at again. Parameters: none.
delete from inbox_files
