-- One row in archive_reading, unless there is one. Input: archive_reading. Parameters: none.
insert into archive_reading (begun_at)
select now()
where not exists (select 1 from archive_reading)
