"""Work that outlives the page: analyses and exports, each in a confined process of its own.

In come ids of runs and exports; out go their results, in the store. `dispatching` gives waiting runs to
whoever has a free slot, `executors` says where work is done, `supervisor` works through the queue, `worker`
does one analysis, `exports` makes one record, bundle or film; `control` carries progress and the wish to
stop. Pages start work here and watch the store; they never wait for it.
"""
