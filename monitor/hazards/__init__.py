"""What the weather did to each cover, one module a hazard: weather arrays (H,), covers (C,), results (H, C)."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def column(hours: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """One weather variable of the canonical hours, shape (H,); all NaN where the table has no such column."""
    if name not in hours.columns:
        return np.full(len(hours), np.nan)
    return hours[name].to_numpy(dtype=np.float64)
