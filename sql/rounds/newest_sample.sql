-- newest_sample: one row: when the newest sample or reported charge was, null without any. Rotas
-- are planned ahead and do not count. Inputs: samples, reported_sessions. Parameters: none.
select max(newest_at) as newest_at
from (
    select max(sampled_at) as newest_at from samples
    union all
    select max(plug_in_at) as newest_at from reported_sessions
) as newest
