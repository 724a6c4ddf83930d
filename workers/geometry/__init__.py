"""From a mesh to a geometry summary: bytes in, frozen data out, no I/O and no nozzle.

Nothing heavy is imported here: the numerical libraries are loaded by the module that uses them.
"""
