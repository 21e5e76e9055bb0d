"""Who does the work: this program, processes beside it, or other machines; all through `concurrent.futures.Executor`.

An order is what a worker is told; dispatch decides what may be worked on at the same time, and what becomes of a scan
whose worker was lost. The executors: `here` works at once, in the program itself; `processes` has workers beside it,
each with limits of time and memory (`child` is what runs there); `cluster` speaks to Dask.
"""
