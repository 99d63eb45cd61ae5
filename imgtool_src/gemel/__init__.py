"""gemel joins the builds of a two-core microcontroller's cores into one flash image and proves it.

Everything that a script needs is here; ``gemel explain python`` prints the page about it.  Nothing is
imported before it is first used: a bare ``import gemel`` costs next to nothing, and a Ctrl-C right after the start
of the command falls into no import of ours.
"""

TYPE_CHECKING = False
"""As of ``typing``, which is a module like any other."""

if TYPE_CHECKING:
    from gemel.audit.result import ImageResult as ImageResult
    from gemel.builds.build import Build as Build
    from gemel.checking.registry import convention_faults as convention_faults
    from gemel.checking.rule import Rule as Rule
    from gemel.comparing.changes import Comparison as Comparison
    from gemel.errors import GemelError as GemelError
    from gemel.errors import Problem as Problem
    from gemel.image.image import Image as Image
    from gemel.inspection.inspection import Inspection as Inspection
    from gemel.layout.reader import ReadLayout as ReadLayout
    from gemel.outcomes import DoesNotApply as DoesNotApply
    from gemel.outcomes import Finding as Finding
    from gemel.outcomes import Holds as Holds
    from gemel.outcomes import Need as Need
    from gemel.outcomes import NotChecked as NotChecked
    from gemel.outcomes import Outcome as Outcome
    from gemel.outcomes import Reason as Reason
    from gemel.policy.reader import ReadPolicy as ReadPolicy
    from gemel.rehearsal.result import Rehearsal as Rehearsal
    from gemel.seals.keys.keys import PrivateKey as PrivateKey
    from gemel.seals.keys.keys import PublicKey as PublicKey
    from gemel.show.facts.contents import Contents as Contents
    from gemel.version import __version__ as __version__
    from gemel.workflows.auditing.many_images import audit_images as audit_images
    from gemel.workflows.checking import CheckResult as CheckResult
    from gemel.workflows.checking import check as check
    from gemel.workflows.comparing import compare as compare
    from gemel.workflows.describing import describe as describe
    from gemel.workflows.describing import html_page as html_page
    from gemel.workflows.drafting import draft_layout as draft_layout
    from gemel.workflows.inputs.builds import load_builds as load_builds
    from gemel.workflows.inputs.images import read_image as read_image
    from gemel.workflows.inputs.layouts import load_layout as load_layout
    from gemel.workflows.joining import JoinResult as JoinResult
    from gemel.workflows.joining import join as join
    from gemel.workflows.looking_up import where as where
    from gemel.workflows.rehearsing import rehearse as rehearse
    from gemel.workflows.releasing.index import write_release as write_release
    from gemel.workflows.releasing.inputs import ReleaseRequest as ReleaseRequest
    from gemel.workflows.releasing.received import check_release as check_release
    from gemel.workflows.releasing.release import Released as Released
    from gemel.workflows.releasing.release import make_release as make_release
    from gemel.workflows.sealing import load_key as load_key
    from gemel.workflows.sealing import load_public_key as load_public_key
    from gemel.workflows.sealing import seal as seal
    from gemel.workflows.splitting import Split as Split
    from gemel.workflows.splitting import split as split
    from gemel.workflows.trust import load_policy as load_policy
    from gemel.workflows.writing import write_images as write_images

_HOMES = {
    "__version__": "version",
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
    "ReadPolicy": "policy.reader",
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
    "load_policy": "workflows.trust",
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

__all__ = [*_HOMES]


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
