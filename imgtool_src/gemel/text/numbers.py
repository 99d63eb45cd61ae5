"""How ``show`` writes sizes and shares where room is short."""

from __future__ import annotations

from gemel.spans import format_size


def short_size(size: int) -> str:
    """``428 KiB`` where a binary unit divides it evenly, else ``4,100 bytes``; never rounded."""
    return format_size(size).partition(" (")[0]


def about_size(size: int) -> str:
    """A size rounded to two digits or more: ``about 19 KiB``; exact where ``short_size`` is short."""
    if len(exact := short_size(size)) <= 9:
        return exact
    for unit, name in ((1 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB")):
        if size >= unit:
            value = size / unit
            return f"about {value:.1f} {name}" if value < 10 else f"about {value:.0f} {name}"
    return exact


def share(per_cent: float) -> str:
    """``8.3 %``, from ten on without decimals; 0 and 100 only where they are exact."""
    if per_cent in (0.0, 100.0):
        return f"{per_cent:.0f} %"
    if per_cent < 10:
        return f"{per_cent:.1f} %"
    return f"{min(99, round(per_cent)):d} %"


def counted(number: int, one: str, many: str = "") -> str:
    """``1 run``, ``3 runs``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
