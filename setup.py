"""The page lies at the repository's top for its readers, and travels inside the package: `ui/` is `surfscan.ui`.

Everything else about the build is in pyproject.toml.
"""

from setuptools import find_packages, setup

setup(
    packages=[
        *find_packages(include=["surfscan", "surfscan.*"]),
        "surfscan.ui",
        *(f"surfscan.ui.{name}" for name in find_packages("ui")),
    ],
    package_dir={"surfscan.ui": "ui"},
)
