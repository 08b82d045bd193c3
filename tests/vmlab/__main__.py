"""Unpack a kernel and tools for the lab into its cache, once; nothing is installed."""

from .kernel import cache_folder, prepare

kernel = prepare()
print(f"Linux {kernel.release} of {kernel.package} is ready in {cache_folder()}")
