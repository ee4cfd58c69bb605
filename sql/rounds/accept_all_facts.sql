-- Every edition stands on the facts as another program, method or configuration reads them: what
-- is late from now on is what differs from these. Inputs: made_editions, fresh_facts.
-- Parameters: none.
update made_editions
set
    facts_hash = f.facts_hash,
    stop_list_hash = f.stop_list_hash
from fresh_facts as f
where made_editions.week_id = f.week_id
