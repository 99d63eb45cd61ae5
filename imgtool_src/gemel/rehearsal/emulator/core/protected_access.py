"""Holding a core to its memory protection unit: watches where something is forbidden, and questions about permissions.

Only addresses at which some access is forbidden are watched.  The watches stay while the unit is off, and are
renewed before the core goes on once its registers were written.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gemel.rehearsal.emulator.system_space.memory_protection import AT_NEGATIVE_PRIORITY, BACKGROUND, Rights
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

MIN_REGION, MAX_ACCESS = 32, 8
"""Bytes of the smallest region, and of the longest access, which may reach from the addresses in front into one."""


class ProtectedAccess:
    """What the memory protection unit of one core lets pass."""

    def __init__(self, core: EmulatedCore) -> None:
        import unicorn

        self._core, self._unicorn = core, unicorn
        self._hooks: dict[tuple[int, Span, Rights], int] = {}
        self._version = 0
        self._user_seen = False
        self._executes: set[tuple[Span, bool, bool]] = set()
        self._went_unguarded = False
        """Whether the core came to code that it had not yet been in while nothing was forbidden."""

    @property
    def stale(self) -> bool:
        """Whether the watches have to be renewed before the core goes on."""
        protection = self._core.system.protection
        if not protection.on:
            return False
        return protection.version != self._version or self._has_users != self._user_seen

    @property
    def _has_users(self) -> bool:
        """Whether code was seen that gives up its privilege, or accesses memory as unprivileged code does."""
        return self._core.blocks.sets_control or self._core.blocks.acts_as_user

    @property
    def _guards(self) -> bool:
        """Whether accesses are guarded now: not at negative priority, unless that was requested."""
        protection = self._core.system.protection
        return protection.on and (
            bool(protection.control & AT_NEGATIVE_PRIORITY) or not self._core.negative_priority
        )

    def allows(self, access: str, address: int, size: int, unprivileged: bool) -> bool:
        """Whether ``access`` (read, write or execute) to all of ``size`` bytes passes."""
        if not self._guards:
            return True
        protection = self._core.system.protection
        places = {*range(address, address + size, MIN_REGION), address + size - 1}
        return all(protection.at(each & 0xFFFF_FFFF).allow(access, unprivileged) for each in places)

    def why(self, access: str, address: int, size: int, unprivileged: bool) -> dict[str, int]:
        """What closes ``address`` and the bytes after it to ``access``: the numbers of a finding."""
        protection = self._core.system.protection
        places = (address, *range((address | MIN_REGION - 1) + 1, address + size, MIN_REGION))
        closed = (
            each for each in places if not protection.at(each & 0xFFFF_FFFF).allow(access, unprivileged)
        )
        at = next(closed, address)
        given = protection.at(at)
        allowed = sum(
            given.allow(each, unprivileged) << bit for bit, each in enumerate(("read", "write", "execute"))
        )
        more = {
            "version": 8 if protection.has_limits else 7,
            "background": int(bool(protection.control & BACKGROUND)),
        }
        return {**protection.regions_at(at), "allowed": allowed, "user": int(unprivileged), **more}

    def may_execute(self, address: int) -> bool:
        """Whether the code that runs now may go on at ``address``."""
        return not self._guards or self.allows("execute", address, 2, self._core.unprivileged)

    def may_enter(self, address: int) -> bool:
        """The same of code that the core comes to for the first time, or by a new way."""
        self._went_unguarded |= not self._guards
        return self.may_execute(address)

    def refresh(self) -> None:
        """Watch what is forbidden now; not from a callback."""
        core, u = self._core, self._unicorn
        self._version, self._user_seen = core.system.protection.version, self._has_users
        permissions = core.system.protection.map()
        wanted = set()
        for span, given in permissions:
            for kind, access in ((u.UC_HOOK_MEM_READ, "read"), (u.UC_HOOK_MEM_WRITE, "write")):
                if self._is_forbidden(given, access):
                    wanted.add((kind, span, given))
            if self._user_seen and given.execute and not given.user_execute:
                wanted.add((u.UC_HOOK_BLOCK, span, given))
        for gone in self._hooks.keys() - wanted:
            hook = self._hooks.pop(gone)
            if gone[0] == u.UC_HOOK_BLOCK:
                core.native.uc.hook_del(hook)
            else:
                core.native.unhook(hook)
        for kind, span, given in sorted(wanted - self._hooks.keys()):
            if kind == u.UC_HOOK_BLOCK:
                hook = core.native.uc.hook_add(kind, self._on_block, begin=span.start, end=span.last)
            else:
                reaching = Span.from_bounds(max(span.start - MAX_ACCESS + 1, 0), span.end)
                hook = core.native.at_accesses(kind, self._on_access, (span, given), reaching)
            self._hooks[kind, span, given] = int(hook)
        executes = {(span, given.execute, given.user_execute) for span, given in permissions}
        changed, self._executes = executes ^ self._executes, executes
        if self._went_unguarded or any(core.blocks.saw_code_in(span) for span, *_ in changed):
            self._went_unguarded = False
            core.look_again()

    def _is_forbidden(self, given: Rights, access: str) -> bool:
        return not given.allow(access, False) or (self._user_seen and not given.allow(access, True))

    def _on_access(
        self, uc: Any, access: int, address: int, size: int, value: int, data: tuple[Span, Rights]
    ) -> None:
        core = self._core
        what = "write" if access == self._unicorn.UC_MEM_WRITE else "read"
        user = core.unprivileged or (core.blocks.acts_as_user and core.accesses_as_user())
        span, given = data
        within = span.start <= address and address + size <= span.end
        as_watched = within and core.system.protection.version == self._version
        if (as_watched and given.allow(what, user)) or self.allows(what, address, size, user):
            return  # most are as when the watch was set, which is quick: for loops that poll
        if what == "write":
            core.faults.undo_write(address, size)
        numbers = {"address": address, "size": size, **self.why(what, address, size, user)}
        core.note_fault(f"protected-{what}", numbers)

    def _on_block(self, uc: Any, address: int, size: int, data: object) -> None:
        if self._core.executing and not self.may_execute(address):
            why = self.why("execute", address, 2, self._core.unprivileged)
            self._core.note_fault("protected-fetch", {"address": address, **why}, address)
            uc.emu_stop()
