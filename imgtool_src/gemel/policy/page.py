"""What ``gemel explain policy`` prints: what a policy does, every key of it, an example."""

from __future__ import annotations

from gemel.layout.reference import editors, reference
from gemel.layout.tables import Table
from gemel.policy.model import Policy
from gemel.text.templates import filled

EXAMPLE = """\
format = 1
trust = ["release-pub.pem"]
algorithms = ["Ed25519", "ECDSA-P256"]
rollback_at_least = 3
product = "tide-gauge"
vendor = "harbour.example"
class = "tide gauge mark 2"
waiver_days = 90
"""


def page() -> str:
    """The page."""
    keys = reference(
        "The keys of a policy, format 1",
        Table(Policy),
        before=editors("policy", "policy-schema", "policy.schema.json"),
    )
    example = (f"    {line}" for line in EXAMPLE.splitlines())
    return filled("gemel.policy", "page.txt", {"keys": [keys], "example": example})
