"""An upload that says it is larger than the limit is refused before it is read."""

from __future__ import annotations

import http.client
import tomllib
import urllib.request

import pytest

from tests.faults.visitor import Visitor

pytestmark = pytest.mark.browser  # asks for the server that the browser tests share


@pytest.fixture
def visit(sample_address):
    """Somebody on the Import page, and where an upload of theirs goes."""
    visitor = Visitor(sample_address)
    visitor.go("import_log")
    yield sample_address.removeprefix("http://"), f"/_stcore/upload_file/{visitor.session}/one"
    visitor.close()


def answer(visit, declared: int, sent: bytes) -> int:
    """The status of an upload that says it has so many bytes, of which some are sent."""
    host, place = visit
    with urllib.request.urlopen(f"http://{host}/_stcore/health", timeout=20) as first:
        cookies = [one.split(";")[0] for one in first.headers.get_all("Set-Cookie", [])]
    token = next((one.partition("=")[2] for one in cookies if "xsrf" in one), "")
    line = http.client.HTTPConnection(host, timeout=60)
    line.putrequest("PUT", place)
    line.putheader("Content-Type", "multipart/form-data; boundary=part")
    line.putheader("Content-Length", str(declared))
    line.putheader("X-Xsrftoken", token)
    line.putheader("Cookie", "; ".join(cookies))
    line.endheaders()
    line.send(sent)
    status = line.getresponse().status
    line.close()
    return status


def test_an_upload_beyond_the_limit_is_refused(visit, root):
    """400 MB, as the settings of the server say; a small file is taken by the same way."""
    limit_mb = tomllib.loads((root / "dashboard" / ".streamlit" / "config.toml").read_text())["server"]["maxUploadSize"]
    assert limit_mb == 400
    small = b'--part\r\nContent-Disposition: form-data; name="one"; filename="log.csv"\r\n\r\nprobe,site\r\n--part--\r\n'
    assert answer(visit, len(small), small) == 204
    assert answer(visit, (limit_mb << 20) + (2 << 20), small) == 413
