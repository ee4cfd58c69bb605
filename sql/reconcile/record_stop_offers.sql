-- Writes a week's rows of stop_offers. Input: stop_offers_rows, with all its columns.
insert into stop_offers by name
select * from stop_offers_rows
