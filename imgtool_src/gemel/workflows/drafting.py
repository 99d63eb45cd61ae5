"""A first layout from builds alone."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.builds.build import Build


def draft_layout(
    builds: Mapping[str, Build | str | Path | bytes], paths: Mapping[str, str] | None = None
) -> str:
    """The text of a first layout (TOML), guessed from ``builds``, with a question for all they do not say.

    Each build is given read, as a file or as its bytes.  ``paths`` are the builds' files as the layout is to
    name them.  Raises BuildError for builds that cannot be read, UsageProblem for more than a device has cores.
    """
    from gemel.draft.document import document
    from gemel.draft.drafting import draft
    from gemel.workflows.inputs.builds import load_builds

    files = {name: build for name, build in builds.items() if isinstance(build, str | os.PathLike | bytes)}
    loaded = load_builds(None, files)
    known = {
        name: build for name, build in builds.items() if not isinstance(build, str | os.PathLike | bytes)
    }
    given = {name: loaded[name] if name in loaded else known[name] for name in builds}
    return document(draft(given), dict(paths or {}))
