"""Refusals of a mesh: each says what is wrong, where, and the limit that applies."""

from __future__ import annotations

from workers.model.errors import InvalidError, UnavailableError


class MeshRefusedError(InvalidError):
    """The file cannot be read as the mesh it claims to be."""

    slug, title = "mesh-refused", "The mesh file cannot be used"


class MeshTypeError(MeshRefusedError):
    """The bytes are not of the declared format, or of no format that is read here."""

    slug, title = "mesh-type", "The file is not the kind of mesh it says it is"


class MeshTooLargeError(MeshRefusedError):
    """A limit on bytes, triangles, instances or extents is passed."""

    slug, title, status = "mesh-too-large", "The mesh passes a limit", 413


class MeshUnsupportedError(MeshRefusedError):
    """The file is sound but needs something that is not read here."""

    slug, title = "mesh-unsupported", "The mesh needs a feature that is not supported"


class MeshNotSolidError(MeshRefusedError):
    """No solid body can be made of the triangles, mended or not."""

    slug, title = "mesh-not-solid", "The triangles do not enclose a solid"


class MeshTimeError(MeshRefusedError):
    """The analysis took longer than it may."""

    slug, title = "mesh-time", "The analysis of the mesh took too long"


class MeshMemoryError(MeshRefusedError):
    """The analysis needed more memory than it may have."""

    slug, title = "mesh-memory", "The analysis of the mesh needs too much memory"


class MeshCrashedError(MeshRefusedError):
    """The analysis ended without an answer."""

    slug, title = "mesh-crashed", "The analysis of the mesh broke off"


class AnalysisUnavailableError(UnavailableError):
    """The child process could not be started; the mesh is not to blame."""

    slug, title = "analysis-unavailable", "The analysis cannot be started now"


REFUSALS: dict[str, type[MeshRefusedError]] = {
    kind.slug: kind
    for kind in (
        MeshRefusedError,
        MeshTypeError,
        MeshTooLargeError,
        MeshUnsupportedError,
        MeshNotSolidError,
        MeshTimeError,
        MeshMemoryError,
        MeshCrashedError,
    )
}
