"""Independent stretches of a large log on all cores: numpy and zlib let go of the interpreter while they work."""

import os

SERIAL_MAX = 32 << 20  # bytes up to which starting threads costs more than they save: an ordinary flight
_WORKERS_MAX = 4


def each(function, items, size):
    """`[function(item) for item in items]`, side by side if they are about many bytes in all."""
    workers = min(os.cpu_count() or 1, _WORKERS_MAX)
    if size <= SERIAL_MAX or workers == 1:
        return [function(item) for item in items]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(function, items))


def beside(function, size):
    """A function that gives `function()`, which is begun beside what follows if it is about many bytes."""
    if size <= SERIAL_MAX:
        result = function()
        return lambda: result
    from concurrent.futures import ThreadPoolExecutor

    pool = ThreadPoolExecutor(1)
    future = pool.submit(function)
    pool.shutdown(wait=False)
    return future.result
