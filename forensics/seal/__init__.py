"""Pack a finished case as a bag (RFC 8493) that can be checked and made again, and check such a bag."""

from forensics.seal.pack import seal, seal_id
from forensics.seal.verify import Verified, verify

__all__ = ["Verified", "seal", "seal_id", "verify"]
