"""An invented job that the description shows."""

from __future__ import annotations

from typing import Any

JOB: dict[str, Any] = {
    "name": "Drawer guide, left",
    "summary": {
        "extent_x_mm": 80,
        "extent_y_mm": 30,
        "extent_z_mm": 24,
        "volume_mm3": 21_500,
        "area_mm2": 13_400,
        "smallest": {"rib_mm": 1.6, "slot_mm": 2.2},
        "features": [{"name": "pin bore", "kind": "hole", "nominal_mm": 6, "facets": 64}],
    },
    "material": {"material_ids": ["pa-cf"]},
    "tolerances": [{"name": "pin bore", "iso286": "H11"}],
    "emphasis": {"detail": 0.2, "fit": 0.5, "clog": 0.2, "time": 0.1},
    "use": {"load_bearing": True},
    "quantity": 4,
    "due_at": "2026-05-08T16:00:00Z",
}

# The same without a part, which comes as a file; its sizes are those of the mesh's own features.
UPLOADED_JOB: dict[str, Any] = {key: value for key, value in JOB.items() if key not in {"summary", "tolerances"}}
