"""Parts made with a general CAD kernel (Open CASCADE, by way of cadquery-ocp-novtk), with their features known."""
