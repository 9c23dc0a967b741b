"""``surfscan key --out FILE``: a key that signs a shop's papers."""

from __future__ import annotations

import argparse
import json
import os
import sys
from getpass import getpass
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.terminal import Parser, named_path
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.papers.sealed import Signing

__all__ = ["VARIABLE", "add", "add_signing", "key_phrase", "run", "signing_of"]

VARIABLE = "SURFSCAN_KEY_PHRASE"


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    key = commands.add_parser(
        "key",
        parents=[common],
        help="make a key that signs a shop's papers",
        description=(
            "Make a key pair (Ed25519): FILE signs, with surfscan report --sign FILE, and only its owner may read it;"
            " FILE.pub is for everybody who wants to see, with surfscan verify --key FILE.pub, that the shop signed."
            " Hand it over by another way than the papers. No key is ever written over."
        ),
    )
    key.add_argument("--out", metavar="FILE", type=named_path, required=True, help="name of the private key")
    key.add_argument(
        "--phrase", action="store_true", help=f"protect it with a phrase, asked for, or taken from {VARIABLE}"
    )
    key.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Make the pair, and say which is which."""
    from surfscan.papers.signing import make_key

    public, name = make_key(options.out, phrase=key_phrase() if options.phrase else "")
    if options.json:
        print(
            json.dumps(
                {"schema": 1, "private": str(options.out), "public": str(public), "key": name}, indent=2
            )
        )
    else:
        print(f"Private key: {options.out}   keep it on this computer, and a copy where only you come to")
        print(f"Public key:  {public}   for everybody\nIts digits:  {name}")
    return 0


def key_phrase() -> str:
    """The phrase of a private key: from the environment, else asked for."""
    phrase = os.environ.get(VARIABLE, "")
    if not phrase and sys.stdin.isatty():
        phrase = getpass("Phrase of the key: ")
    if not phrase:
        raise UsageError(
            "The key's phrase is missing",
            found="none",
            allowed=f"a phrase, typed at a terminal or in the variable {VARIABLE}",
            cure=f"set {VARIABLE}, or run this at a terminal",
        )
    return phrase


def add_signing(parser: argparse.ArgumentParser) -> None:
    """Options of a command whose paper's seal may be signed."""
    parser.add_argument(
        "--sign", metavar="KEY", type=Path, help="sign the seal with this private key, made by surfscan key"
    )
    parser.add_argument(
        "--stamp", action="store_true", help="lay a request for a time stamp (RFC 3161) beside the seal"
    )


def signing_of(options: argparse.Namespace) -> Signing:
    """How the seal is to be signed (RefusedError for a key that can't be used)."""
    from surfscan.papers.sealed import Signing
    from surfscan.papers.signing import load_private_key

    key = None if options.sign is None else load_private_key(options.sign, phrase=key_phrase)
    return Signing(key, options.stamp)
