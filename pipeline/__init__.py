"""Cold Minutes: weekly reports of charging minutes lost to cold batteries."""

import os

# The fits solve many small systems, for which threads of the linear algebra wait for each other
# longer than they work: judging 100 vehicles took eight times as long with them. Read when numpy
# is first imported; whoever sets it outside keeps what they set.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
