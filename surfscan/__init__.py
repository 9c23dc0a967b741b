"""Is the panel fair? Photos of reflected stripes to a height map in mm, highs and lows, and a verdict.

`__init__.pyi` beside this file lists the public names and where each lives; they load on first use, so importing the
package is fast. Everything else is in the rooms: `surfscan.plan`, `surfscan.report`, and so on.
"""

from surfscan.version import VERSION as __version__  # noqa: F401 (public, as the stub says)


def __getattr__(name: str) -> object:
    """Find the stub's names; what finds them is itself loaded on first use, so that a command starts at once."""
    import lazy_loader

    find, _, names = lazy_loader.attach_stub(__name__, __file__)
    names.append("__version__")
    globals().update(__getattr__=find, __all__=names)
    return names if name == "__all__" else find(name)


def __dir__() -> list[str]:
    return list(globals().get("__all__") or __getattr__("__all__"))
