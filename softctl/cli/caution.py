"""The cautions that go with every command."""

from softctl.runtime.caution import CAUTION

__all__ = ["CAUTION"]
