-- delivered_files: one row per item of a recipient that is on its way or has left.
-- Input: deliveries. Parameters: recipient.
select files
from deliveries
where recipient = $recipient and state in ('waiting', 'handing_over', 'sent', 'failed', 'unsure')
