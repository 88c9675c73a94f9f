"""Independent stretches of a large log on all cores: numpy and zlib let go of the interpreter while they work."""

import os

_SERIAL_MAX = 4  # stretches up to which starting threads costs more than they save: an ordinary flight
_WORKERS_MAX = 4


def each(function, items):
    """`[function(item) for item in items]`, side by side if there are many."""
    items = list(items)
    workers = min(os.cpu_count() or 1, _WORKERS_MAX)
    if len(items) <= _SERIAL_MAX or workers == 1:
        return [function(item) for item in items]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(function, items))


def beside(function, stretches):
    """A function that gives `function()`, which is begun beside what follows if it concerns that many stretches."""
    if stretches <= _SERIAL_MAX:
        result = function()
        return lambda: result
    from concurrent.futures import ThreadPoolExecutor

    pool = ThreadPoolExecutor(1)
    future = pool.submit(function)
    pool.shutdown(wait=False)
    return future.result
