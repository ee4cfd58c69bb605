"""People's data: keys, notice, approval, access, forgetting, retention and the log of commands."""
