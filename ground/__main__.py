"""`python -m ground`: what the launcher hands over to."""

import gc
import os

# Set before anything heavy is imported; whoever has set them to something else keeps it.
# numpy's algebra would start a thread for each core, and no matrix here could fill one.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# pydantic would read the description of every installed package, looking for plugins of its own.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
# A command makes hundreds of thousands of objects, and hardly a circle among them.
gc.set_threshold(50_000, 20, 50)

from ground.cli import main  # noqa: E402

if __name__ == "__main__":
    main()
