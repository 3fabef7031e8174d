"""The cautions that go with every run."""

CAUTION = (
    "A simulator and test harness, never a safety function. Emergency stops and trips are "
    "hard-wired and designed by licensed people to the local code (IEC 60204-1, ISO 13849-1 "
    "or IEC 61508/61511 as they apply)."
)
