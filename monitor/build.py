"""How this Stopmark runs: compiled to machine code by mypyc, or interpreted. Both give the same to the last bit.

`.build/hatch_build.py` says what is compiled, and when. Looked up without importing the core, so that `--version` stays quick.
"""

from importlib.machinery import EXTENSION_SUFFIXES
from importlib.util import find_spec
from typing import Final


def compiled(module: str = "monitor.core.engine") -> bool:
    """Whether an import of `module` takes machine code."""
    found = find_spec(module)
    return found is not None and (found.origin or "").endswith(tuple(EXTENSION_SUFFIXES))


KIND: Final = "compiled" if compiled() else "pure Python"
