"""gemel joins the builds of a two-core microcontroller's cores into one flash image and proves it.

Everything that a script needs is here; ``gemel explain python`` prints the page about it.  Nothing is
imported before it is first used: a bare ``import gemel`` costs next to nothing.
"""

from __future__ import annotations

from gemel.version import __version__

TYPE_CHECKING = False
"""As of ``typing``, whose import would keep a Ctrl-C from being quiet for longer."""

if TYPE_CHECKING:
    from gemel.audit.result import ImageResult
    from gemel.builds.build import Build
    from gemel.checking.registry import convention_faults
    from gemel.checking.rule import Rule
    from gemel.comparing.changes import Comparison
    from gemel.errors import GemelError, Problem
    from gemel.image.image import Image
    from gemel.inspection.inspection import Inspection
    from gemel.layout.reader import ReadLayout
    from gemel.outcomes import DoesNotApply, Finding, Holds, Need, NotChecked, Outcome, Reason
    from gemel.rehearsal.result import Rehearsal
    from gemel.seals.keys.keys import PrivateKey, PublicKey
    from gemel.show.facts.contents import Contents
    from gemel.workflows.auditing.many_images import audit_images
    from gemel.workflows.checking import CheckResult, check
    from gemel.workflows.comparing import compare
    from gemel.workflows.describing import describe, html_page
    from gemel.workflows.drafting import draft_layout
    from gemel.workflows.inputs.builds import load_builds
    from gemel.workflows.inputs.images import read_image
    from gemel.workflows.inputs.layouts import load_layout
    from gemel.workflows.joining import JoinResult, join
    from gemel.workflows.looking_up import where
    from gemel.workflows.rehearsing import rehearse
    from gemel.workflows.releasing.index import write_release
    from gemel.workflows.releasing.inputs import ReleaseRequest
    from gemel.workflows.releasing.received import check_release
    from gemel.workflows.releasing.release import Released, make_release
    from gemel.workflows.sealing import load_key, load_public_key, seal
    from gemel.workflows.splitting import Split, split
    from gemel.workflows.writing import write_images

_HOMES = {
    "Build": "builds.build",
    "CheckResult": "workflows.checking",
    "Comparison": "comparing.changes",
    "Contents": "show.facts.contents",
    "DoesNotApply": "outcomes",
    "Finding": "outcomes",
    "GemelError": "errors",
    "Holds": "outcomes",
    "Image": "image.image",
    "ImageResult": "audit.result",
    "Inspection": "inspection.inspection",
    "JoinResult": "workflows.joining",
    "Need": "outcomes",
    "NotChecked": "outcomes",
    "Outcome": "outcomes",
    "PrivateKey": "seals.keys.keys",
    "Problem": "errors",
    "PublicKey": "seals.keys.keys",
    "ReadLayout": "layout.reader",
    "Reason": "outcomes",
    "Rehearsal": "rehearsal.result",
    "ReleaseRequest": "workflows.releasing.inputs",
    "Released": "workflows.releasing.release",
    "Rule": "checking.rule",
    "Split": "workflows.splitting",
    "audit_images": "workflows.auditing.many_images",
    "check": "workflows.checking",
    "check_release": "workflows.releasing.received",
    "compare": "workflows.comparing",
    "convention_faults": "checking.registry",
    "describe": "workflows.describing",
    "draft_layout": "workflows.drafting",
    "html_page": "workflows.describing",
    "join": "workflows.joining",
    "load_builds": "workflows.inputs.builds",
    "load_key": "workflows.sealing",
    "load_layout": "workflows.inputs.layouts",
    "load_public_key": "workflows.sealing",
    "make_release": "workflows.releasing.release",
    "read_image": "workflows.inputs.images",
    "rehearse": "workflows.rehearsing",
    "seal": "workflows.sealing",
    "split": "workflows.splitting",
    "where": "workflows.looking_up",
    "write_images": "workflows.writing",
    "write_release": "workflows.releasing.index",
}
"""Each public name and the module that it is imported from when it is first used."""

__all__ = [
    "Build",
    "CheckResult",
    "Comparison",
    "Contents",
    "DoesNotApply",
    "Finding",
    "GemelError",
    "Holds",
    "Image",
    "ImageResult",
    "Inspection",
    "JoinResult",
    "Need",
    "NotChecked",
    "Outcome",
    "PrivateKey",
    "Problem",
    "PublicKey",
    "ReadLayout",
    "Reason",
    "Rehearsal",
    "ReleaseRequest",
    "Released",
    "Rule",
    "Split",
    "__version__",
    "audit_images",
    "check",
    "check_release",
    "compare",
    "convention_faults",
    "describe",
    "draft_layout",
    "html_page",
    "join",
    "load_builds",
    "load_key",
    "load_layout",
    "load_public_key",
    "make_release",
    "read_image",
    "rehearse",
    "seal",
    "split",
    "where",
    "write_images",
    "write_release",
]


def __getattr__(name: str) -> object:
    """The public name ``name``, imported now; AttributeError for any other."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module
    from types import FunctionType

    value = getattr(import_module(f"gemel.{_HOMES[name]}"), name)
    if isinstance(value, FunctionType):
        from gemel.arguments import checked

        value = checked(value)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """The public names."""
    return sorted(__all__)
