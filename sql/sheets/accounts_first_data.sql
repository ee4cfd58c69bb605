-- accounts_first_data: one row with the instant from which any data of the fleet are known; null
-- without data.
-- Inputs: file_spans. Parameters: none.
select min(first_at) as first_at
from file_spans
