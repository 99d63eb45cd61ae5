"""What ``gemel explain policy`` prints: what a policy does, every key of it, an example."""

from __future__ import annotations

from gemel.layout.reference import editors, reference
from gemel.layout.tables import Table
from gemel.policy.model import Policy

OPENING = """\
The policy of a receiver of images
==================================

A layout often comes from the team that sends the image, and with it what that
team accepts: which keys, which waivers. A policy is a file of your own, in TOML:
`gemel check --policy FILE` and `gemel audit --policy FILE` check images by it
too. It only narrows: what the layout refuses stays refused. `gemel sign`,
`join` and `release` write nothing that the policy refuses; `--leave-unsealed`
and `--more-to-come` put off what is still to be signed.

With a policy
- a seal is required, whatever the layout says, by a key that the policy trusts
  (or that --trust gives) and the layout, where it names keys, trusts too;
- no waiver and no changed severity of the layout is accepted for a rule that
  guards the image (`gemel explain RULE` says which), nor for one that the policy
  keeps: every rule that is an error, unless `unwaivable` names them;
- the record must say what the policy demands of it.

Without a layout, `gemel check --policy FILE IMAGE` verifies what needs none:
the record in the image, the seal over it, the digest of every build, and that a
start address in the file is a reset handler of the primary. Bytes outside the
builds are not checked then, and the report says so.

A policy is read by people before a release: keep it under review, next to the
public keys that it names, where those who send images cannot write.
"""

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
    example = "".join(f"    {line}\n" for line in EXAMPLE.splitlines())
    keys = reference(
        "The keys of a policy, format 1",
        Table(Policy),
        before=editors("policy", "policy-schema", "policy.schema.json"),
    )
    return f"{OPENING}\n{keys}\nExample\n-------\n{example}"
