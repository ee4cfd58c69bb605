-- spans_of_words: one row with how many spans name a driver so. Input: driver_spans.
-- Parameters: words (list, in lower case).
select count(*) as spans_n
from driver_spans
where lower(trim(driver_id)) in (select unnest($words::varchar[]))
