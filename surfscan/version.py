"""The version, alone in a file so that the build can read it without importing anything."""

VERSION = "0.2.0"
