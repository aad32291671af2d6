"""Pack a finished case as a bag (RFC 8493) that can be checked and made again, and check such a bag."""

import sys
from types import ModuleType
from typing import Any

from forensics.seal.pack import seal, seal_id
from forensics.seal.verified import Verified
from forensics.seal.verify import verify

__all__ = ["Verified", "seal", "seal_id", "verify"]


class _Callable(ModuleType):
    """``forensics.seal`` is a package and, in the public interface, a call: it seals."""

    def __call__(self, *given: Any, **named: Any) -> Any:
        return seal(*given, **named)


sys.modules[__name__].__class__ = _Callable
