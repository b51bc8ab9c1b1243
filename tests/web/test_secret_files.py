"""The key of TLS and the folder beside the ledger: for this user alone, and never through a symbolic link."""

import os
import stat

import pytest

from fluewright.errors import InputError
from fluewright.files import private_folder
from fluewright.web.tls_certificate import own_tls_certificate


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture
def folder(tmp_path):
    before = os.umask(0o022)
    yield tmp_path / "shop.ledger.web"
    os.umask(before)


def test_key_certificate_and_folder_are_for_this_user_alone(folder):
    certificate, key, _ = own_tls_certificate(folder, ["127.0.0.1"])
    assert (mode(folder), mode(key), mode(certificate)) == (0o700, 0o600, 0o600)


def test_a_folder_that_others_could_read_is_shut(folder):
    folder.mkdir(mode=0o755)
    assert mode(private_folder(folder)) == 0o700


@pytest.mark.parametrize("bits", [0o640, 0o604, 0o660, 0o644])
def test_a_key_that_others_can_read_is_refused_with_the_mend(folder, bits):
    _, key, first = own_tls_certificate(folder, ["127.0.0.1"])
    key.chmod(bits)
    with pytest.raises(InputError, match=f"can read this key .mode {bits:04o}.*remove it and start again"):
        own_tls_certificate(folder, ["127.0.0.1"])
    key.unlink()
    assert own_tls_certificate(folder, ["127.0.0.1"])[2] != first


@pytest.mark.parametrize("name", ["key.pem", "certificate.pem"])
def test_nothing_is_written_through_a_link(folder, name):
    own_tls_certificate(folder, ["127.0.0.1"])
    elsewhere = folder.parent / "elsewhere"
    elsewhere.write_text("mine")
    elsewhere.chmod(0o600)
    (folder / name).unlink()
    (folder / name).symlink_to(elsewhere)
    with pytest.raises(InputError, match="symbolic link; remove it"):
        own_tls_certificate(folder, ["127.0.0.1"])
    assert elsewhere.read_text() == "mine"


def test_a_folder_that_is_a_link_is_refused(folder):
    (folder.parent / "elsewhere").mkdir()
    folder.symlink_to(folder.parent / "elsewhere")
    with pytest.raises(InputError, match="is a link, and a folder of the program is never written through one"):
        private_folder(folder)
    assert list((folder.parent / "elsewhere").iterdir()) == []


def test_a_key_that_is_a_folder_is_refused(folder):
    (private_folder(folder) / "key.pem").mkdir()
    with pytest.raises(InputError, match="no ordinary file"):
        own_tls_certificate(folder, ["127.0.0.1"])


def test_a_folder_that_cannot_be_made_is_refused_with_the_mend(folder):
    folder.parent.joinpath("file").write_text("")
    with pytest.raises(InputError, match=r"cannot be made .Not a directory.; check that you may write there"):
        private_folder(folder.parent / "file" / "web")
