"""Long texts travel compressed to who takes that, under a tag that conditions still understand."""

import gzip
import json

import pytest
from django.http import FileResponse, HttpResponse, StreamingHttpResponse

from core.api.middleware import CompressionMiddleware
from tests.core.benches import Bench
from tests.core.conftest import caller
from tests.core.test_fields import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.urls("tests.core.benches")]

TAKES_GZIP = {"Accept-Encoding": "gzip, deflate"}
LONG = b'{"items": [' + b"1," * 500 + b"1]}"


def through(rf, response, **headers):
    request = rf.get("/", headers=headers or TAKES_GZIP)
    return CompressionMiddleware(lambda _: response)(request)


def varies_by(response):
    return {name.strip().lower() for name in response.headers["Vary"].split(",")}


def test_the_same_bytes_arrive(rf):
    told = through(rf, HttpResponse(LONG, content_type="application/json"))
    assert told.headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in told.headers["Vary"]
    assert len(told.content) < len(LONG)
    assert gzip.decompress(told.content) == LONG


def test_lengths_differ_by_chance(rf):
    lengths = {
        len(through(rf, HttpResponse(LONG, content_type="application/json")).content)
        for _ in range(20)
    }
    assert len(lengths) > 1


@pytest.mark.parametrize(
    "response",
    [
        lambda: HttpResponse(b"{}", content_type="application/json"),
        lambda: HttpResponse(LONG, content_type="application/pdf"),
        lambda: StreamingHttpResponse([LONG, LONG], content_type="application/x-ndjson"),
        lambda: FileResponse([LONG], content_type="text/plain"),
    ],
    ids=["short", "no text", "lines as they are made", "file"],
)
def test_the_rest_travels_as_it_is(rf, response):
    assert "Content-Encoding" not in through(rf, response()).headers


def test_who_takes_no_gzip_gets_none(rf):
    told = through(rf, HttpResponse(LONG, content_type="application/json"), Accept="*/*")
    assert "Content-Encoding" not in told.headers


class TestTags:
    """RFC 9110, 8.8.3.3: other bytes have another tag; a strong one, for If-Match (13.1.1)."""

    @pytest.fixture
    def path(self, benches):
        bench = Bench.objects.create(name="oak", stands_since=NOW, chain_id=1)
        return f"/api/benches/{bench.pk}"

    def test_a_compressed_answer_has_a_strong_tag_of_its_own(self, rf):
        plain = HttpResponse(LONG, content_type="application/json", headers={"ETag": '"3-ab"'})
        assert through(rf, plain).headers["ETag"] == '"3-ab-gzip"'

    def test_it_is_known_again(self, client, path):
        tag = client.get(path).headers["ETag"]
        known = {"If-None-Match": f'{tag[:-1]}-gzip"'}
        assert client.get(path, headers={**TAKES_GZIP, **known}).status_code == 304

    def test_to_who_takes_no_gzip_any_more_it_is_not_what_they_would_get(self, client, path):
        tag = client.get(path).headers["ETag"]
        told = client.get(path, headers={"If-None-Match": f'{tag[:-1]}-gzip"'})
        assert (told.status_code, told.headers["ETag"]) == (200, tag)

    @pytest.mark.parametrize("encoding", ["identity", "gzip"])
    @pytest.mark.parametrize("rows", [1, 40])
    def test_known_it_has_the_headers_that_it_has_unknown(self, client, path, encoding, rows):
        """RFC 9110, 15.4.5."""
        for number in range(1, rows):
            Bench.objects.create(name=f"oak {number}", stands_since=NOW, chain_id=1)
        asked = {"Accept-Encoding": encoding}
        first = client.get("/api/benches", headers=asked)
        assert ("Content-Encoding" in first.headers) is (encoding == "gzip" and rows == 40)
        again = client.get(
            "/api/benches", headers={**asked, "If-None-Match": first.headers["ETag"]}
        )
        assert again.status_code == 304
        for name in ("ETag", "Link", "Cache-Control"):
            assert again.headers[name] == first.headers[name], name
        assert varies_by(again) == varies_by(first) >= {"accept-encoding"}

    def test_it_opens_a_write(self, path):
        client = caller()
        tag = client.get(path).headers["ETag"]
        told = client.patch(
            path, {"name": "North"}, format="json", headers={"If-Match": f'{tag[:-1]}-gzip"'}
        )
        assert told.status_code == 200, told.content

    def test_an_old_one_is_stale(self, path):
        told = caller().patch(
            path, {"name": "North"}, format="json", headers={"If-Match": '"99-ab-gzip"'}
        )
        assert json.loads(told.content)["code"] == "stale"
