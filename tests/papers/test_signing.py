"""Signed seals and time stamps: RFC 8032's own vectors, every change told, a stamp by another program."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from result_folders import bump, grid, make_folder, spot

from surfscan import cli
from surfscan.core.errors import RefusedError, UsageError
from surfscan.papers.signing import (
    key_name,
    load_private_key,
    load_public_key,
    make_key,
    sign,
    signature_holds,
)
from surfscan.papers.stamping import make_request

# RFC 8032, section 7.1, TEST 1 to 3: secret key, public key, message, signature.
VECTORS = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe"
        "24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302a"
        "eeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed2"
        "8dc027beceea1ec40a",
    ),
)


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_the_vectors_of_the_standard(secret: str, public: str, message: str, signature: str) -> None:
    key, data, want = (
        Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)),
        bytes.fromhex(message),
        bytes.fromhex(signature),
    )
    assert key_name(key.public_key()) == public
    assert sign(key, data) == want
    assert signature_holds(load_public_key(public), want, data)
    assert not signature_holds(load_public_key(public), want, data + b"!")
    assert not signature_holds(load_public_key(public), want[:-1] + b"!", data)
    assert not signature_holds(load_public_key(public), b"", data)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a signed result, `r`, and two keys."""
    folder = tmp_path_factory.mktemp("signed")
    for name in ("shop.key", "other.key"):
        assert cli.main(["key", "--out", str(folder / name)]) == 0
    x, y = grid(8.0)
    make_folder(folder / "r", x, y, bump(*np.meshgrid(x, y)), spots=[spot(1, "high", 0, 0, 1.0)])
    sign_it = ["report", str(folder / "r"), "--sign", str(folder / "shop.key"), "--stamp"]
    assert cli.main(sign_it) == 0
    return folder


@pytest.fixture
def copy(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made / "r", tmp_path / "r"))


def verified(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str]:
    capsys.readouterr()
    status = cli.main(["verify", str(folder), *more])
    said = capsys.readouterr()
    return status, said.out + said.err


def test_a_signed_seal_names_its_key_on_paper_and_in_verify(
    made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    public = made / "shop.key.pub"
    name = key_name(load_public_key(str(public)))
    assert name in (made / "r/report.html").read_text()
    status, said = verified(made / "r", capsys, "--key", str(public))
    assert (status, said.count(name)) == (0, 1)
    assert "whoever held the named key sealed this result" in said
    assert "it does not show who that was, when it was" in said
    assert verified(made / "r", capsys, "--key", name)[0] == 0
    status, said = verified(made / "r", capsys)
    assert status == 0
    assert "The signature was not checked: give --key" in said
    assert "does not show a seal made anew" in said


@pytest.mark.parametrize(
    ("change", "key", "says"),
    [
        (lambda f: (f / "seal.sig").unlink(), "shop", "the seal is not signed"),
        (lambda f: (f / "seal.sig").write_bytes(bytes(64)), "shop", "no signature of this seal"),
        (
            lambda f: (f / "seal.json").write_bytes((f / "seal.json").read_bytes() + b" "),
            "shop",
            "no signature of this",
        ),
        (lambda f: None, "other", "no signature of this seal by the key"),
    ],
)
def test_what_is_wrong_with_a_signature_is_told(
    made: Path, copy: Path, capsys: pytest.CaptureFixture[str], change: object, key: str, says: str
) -> None:
    change(copy)  # type: ignore[operator]
    status, said = verified(copy, capsys, "--key", str(made / f"{key}.key.pub"))
    assert status == 3
    assert says in said


def test_a_seal_made_anew_and_signed_by_another_is_told(
    made: Path, copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["report", str(copy), "--sign", str(made / "other.key"), "--checked-by", "Somebody"]) == 0
    assert verified(copy, capsys)[0] == 0  # which no seal without a key can tell
    assert verified(copy, capsys, "--key", str(made / "shop.key.pub"))[0] == 3
    assert not (copy / "seal.tsq").exists()  # of the seal before
    assert cli.main(["report", str(copy)]) == 0
    assert not (copy / "seal.sig").exists()


@pytest.mark.skipif(os.name != "posix", reason="modes of files as POSIX has them")
def test_a_key_is_its_owners_alone_and_never_written_over(made: Path, tmp_path: Path) -> None:
    path = tmp_path / "k"
    public, name = make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert key_name(load_private_key(path).public_key()) == name == key_name(load_public_key(str(public)))
    before = path.read_bytes()
    with pytest.raises(RefusedError, match="File exists"):
        make_key(path)
    path.rename(tmp_path / "moved")
    with pytest.raises(RefusedError, match="File exists"):
        make_key(path)  # its public twin is still there
    assert not path.exists()
    (tmp_path / "moved").chmod(0o644)
    with pytest.raises(RefusedError, match="can be read by others"):
        load_private_key(tmp_path / "moved")
    assert (tmp_path / "moved").read_bytes() == before


def test_keys_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "k"
    make_key(path, phrase="open up")
    assert isinstance(load_private_key(path, phrase=lambda: "open up").public_key(), Ed25519PublicKey)
    with pytest.raises(RefusedError, match="another phrase"):
        load_private_key(path, phrase=lambda: "wrong")
    with pytest.raises(UsageError, match="is a private key"):
        load_public_key(str(path))
    for read in (load_private_key, lambda p: load_public_key(str(p))):
        with pytest.raises(RefusedError, match="can't be read"):
            read(tmp_path / "none")
        (tmp_path / "text").write_text("no key")
        (tmp_path / "text").chmod(0o600)
        with pytest.raises(RefusedError, match="not the key that is needed"):
            read(tmp_path / "text")


def authority(folder: Path) -> Path:
    """A time stamp service of our own by OpenSSL, with a root certificate."""
    config = folder / "tsa.cnf"
    config.write_text(
        "[req]\ndistinguished_name=dn\nprompt=no\n[dn]\nCN=a test service\n[root]\nbasicConstraints=critical,CA:TRUE\n"
        "keyUsage=critical,keyCertSign\n[ext]\nextendedKeyUsage=critical,timeStamping\nkeyUsage=critical,digitalSignature\n"
        f"[tsa]\ndefault_tsa=t\n[t]\nserial={folder}/serial\nsigner_digest=sha256\ndefault_policy=1.2.3.4\ndigests=sha256\n"
        "ess_cert_id_chain=no\ness_cert_id_alg=sha256\n"
    )
    (folder / "serial").write_text("01\n")
    run = lambda *words: subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)  # noqa: E731
    new = ("-newkey", "rsa:2048", "-nodes", "-config", str(config))
    run("req", "-x509", *new, "-keyout", "root.key", "-out", "root.pem", "-days", "3", "-extensions", "root")
    run("req", *new, "-keyout", "tsa.key", "-out", "tsa.csr")
    run(
        *(
            "x509",
            "-req",
            "-in",
            "tsa.csr",
            "-CA",
            "root.pem",
            "-CAkey",
            "root.key",
            "-CAcreateserial",
            "-days",
            "2",
        ),
        *("-extfile", str(config), "-extensions", "ext", "-out", "tsa.pem"),
    )
    return folder / "root.pem"


def answer(service: Path, request: Path, out: Path) -> None:
    words = ["openssl", "ts", "-reply", "-config", "tsa.cnf", "-section", "t"]
    words += ["-signer", "tsa.pem", "-inkey", "tsa.key"]
    files = ("-queryfile", str(request), "-out", str(out))
    subprocess.run([*words, *files], cwd=service, check=True, capture_output=True)


@pytest.mark.skipif(
    shutil.which("openssl") is None and "SURFSCAN_NEED_OPENSSL" not in os.environ, reason="no openssl here"
)
def test_a_time_stamp_by_another_program(
    made: Path, copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    root, strange = authority(tmp_path / "one"), authority(tmp_path / "two")
    key = ("--key", str(made / "shop.key.pub"))
    assert "has no answer yet" in verified(copy, capsys)[1]
    assert verified(copy, capsys, "--authority", str(root))[0] == 3  # asked for and missing
    answer(root.parent, copy / "seal.tsq", copy / "seal.tsr")
    status, said = verified(copy, capsys, *key, "--authority", str(root))
    assert status == 0, said
    assert "Time stamp: 20" in said
    assert "Who signed the time stamp was not checked" in verified(copy, capsys)[1]
    status, said = verified(copy, capsys, "--authority", str(strange))
    assert status == 3
    assert "not signed by that authority: its certificate leads to another root, or to none\n" in said
    (copy / "other.tsq").write_bytes(make_request(b"something else"))
    answer(root.parent, copy / "other.tsq", copy / "seal.tsr")
    status, said = verified(copy, capsys)
    assert status == 3
    assert "a time stamp of something else" in said
    (copy / "seal.tsr").write_bytes(b"\x30\x03junk")
    assert "no granted time stamp" in verified(copy, capsys)[1]


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal as POSIX has it")
def test_a_key_with_a_phrase_asks_for_it(
    made: Path, copy: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = copy / "shut.key"
    monkeypatch.setenv("SURFSCAN_KEY_PHRASE", "open up")
    assert cli.main(["key", "--out", str(path), "--phrase"]) == 0
    assert b"ENCRYPTED" in path.read_bytes()
    assert cli.main(["report", str(copy), "--sign", str(path)]) == 0
    monkeypatch.delenv("SURFSCAN_KEY_PHRASE")
    assert cli.main(["report", str(copy), "--sign", str(path)]) == 2
    assert "phrase is missing" in capsys.readouterr().err
