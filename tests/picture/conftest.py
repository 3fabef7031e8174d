"""The random charts of the compiler's tests are drawn here as well."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "logic"))
