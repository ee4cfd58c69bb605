-- Items of earlier editions of a week that did not leave give way to the later edition's.
-- Input: wanted_deliveries. Parameters: none.
update deliveries as d
set
    state = 'closed',
    why = 'replaced'
from wanted_deliveries as w
where
    d.state in ('waiting', 'failed', 'given_up')
    and d.week_id = w.week_id
    and d.edition_no < w.edition_no
    and d.channel = w.channel
    and d.recipient = w.recipient
    and d.documents = w.documents
    and d.driver_id = w.driver_id
