"""Is the panel fair? Photos of reflected stripes to a height map in mm, highs and lows, and a verdict.

`__init__.pyi` beside this file lists the public names and where each lives; they load on first use, so importing the
package is fast. Everything else is in the rooms: `surfscan.plan`, `surfscan.report`, and so on.
"""

import lazy_loader

from surfscan.version import VERSION as __version__

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
__all__ += ["__version__"]
