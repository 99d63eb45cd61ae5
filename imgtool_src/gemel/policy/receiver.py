"""What a receiver demands on the command line, whatever the image's layout says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.policy.reader import ReadPolicy


class Receiver(Struct):
    """``trusts_keys``: keys were named (--trust, or a policy), so a seal by them is required.

    ``policy`` is the receiver's own, if there is one; without it the layout's demands stand alone.
    """

    trusts_keys: bool = False
    policy: ReadPolicy | None = None

    @property
    def demands_seal(self) -> bool:
        """Whether a seal is required, even where the layout requires none."""
        return self.trusts_keys or self.policy is not None

    @property
    def words(self) -> str:
        """Who demands the seal, for messages."""
        return f"policy {self.policy.name}" if self.policy else "--trust"


NO_RECEIVER = Receiver()
"""Nobody demands more than the layout does."""
