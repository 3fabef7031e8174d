"""The guided point-to-point check of an HMI's screens."""

from softctl.checkout.checkout import Checkout, Progress
from softctl.checkout.choose import choose_steps
from softctl.checkout.judge import DEFAULT_TOLERANCE, Verdict
from softctl.checkout.plan import make_plan
from softctl.checkout.session import Attempt, Session
from softctl.checkout.steps import Answer, Operation, Step

__all__ = [
    "DEFAULT_TOLERANCE",
    "Answer",
    "Attempt",
    "Checkout",
    "Operation",
    "Progress",
    "Session",
    "Step",
    "Verdict",
    "choose_steps",
    "make_plan",
]
