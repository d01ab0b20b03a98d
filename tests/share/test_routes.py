"""The routes, asked over a real socket: who may do what, what is refused, what every reply bears."""

from __future__ import annotations

import json
import re
import socket
import sqlite3
import threading
import time
from dataclasses import replace
from html import unescape

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scene import synthetic
from settle.answering import COMMENTS, NAUGHTY, answer

from probekit import scene as pk_scene
from probekit import settle
from probekit.errors import InputError
from probekit.report.compare_page import Side, compare_page
from probekit.settle.pages import page_from
from probekit.share import new_link
from probekit.share.links import digest
from probekit.share.log import Log
from probekit.share.pages import pages_of
from probekit.share.server import address, listening, prepared

LINKS = {
    "reader": new_link("reader"),
    "novak": new_link("A. Novak", "quality", answers=True),
    "ito": new_link("B. Ito", answers=True),
    "one": new_link("customer", only=["one.html"]),
    "busy": new_link("Busy", answers=True),
}


class Shop:
    """A server in a thread, and clients of it."""

    def __init__(self, folder):
        self.folder, self.path, self.opened = folder, folder / "answers.sqlite", []
        log = Log(self.path)
        for _, body in LINKS.values():
            log.append("link", body)
        old = new_link("old")
        log.append("link", {**old[1], "expires": "2020-01-01T00:00:00Z"})
        log.close()
        self.tokens = {name: token for name, (token, _) in LINKS.items()} | {"old": old[0]}
        self.pages, self.left_out = pages_of(folder)
        self.one, self.two = self.pages.values()
        listener = listening("127.0.0.1", 0)
        self.url = f"http://127.0.0.1:{listener.getsockname()[1]}"
        self.server = prepared(self.pages, self.path, listener)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [listener]})
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)

    def bare(self, **options) -> httpx.Client:
        self.opened.append(httpx.Client(base_url=self.url, timeout=30, **options))
        return self.opened[-1]

    def client(self, name: str = "") -> httpx.Client:
        """Somebody who has opened a link, as a browser: it says where its requests come from."""
        client = self.bare(headers={"Origin": self.url, "Sec-Fetch-Site": "same-origin"})
        if name:
            assert client.post("/enter", json={"token": self.tokens[name]}).status_code == 200
        return client

    def post(self, client, one, **headers):
        data = one if isinstance(one, dict) else one.data
        return client.post(f"/p/{self.one.id}/answers", json=data, headers=headers)

    def mine(self, what="re-cut", minute=0, **more):
        return answer(self.one.page, what=what, minute=minute, **more)


@pytest.fixture(scope="module")
def shop(made, tmp_path_factory):
    folder = tmp_path_factory.mktemp("shop")
    for name, data in made.items():
        (folder / name).write_bytes(data)
    found = Shop(folder)
    yield found
    for client in found.opened:
        client.close()
    found.server.should_exit = True
    found.thread.join(30)
    assert not found.thread.is_alive()


# ---- who may read ----


def test_without_a_link_nothing_is_told(shop):
    client = shop.client()
    told = [client.get(path) for path in ("/", f"/p/{shop.one.id}", "/p/0000000000000000", "/p/x")]
    assert [reply.status_code for reply in told] == [200, 401, 401, 401]
    assert len({reply.text for reply in told}) == 1, "the way in, whatever was asked for"
    assert "Invented" not in told[0].text
    for path in ("/me", "/events", f"/p/{shop.one.id}/events", "/p/0000000000000000/events"):
        reply = client.get(path)
        assert (reply.status_code, reply.json()) == (401, {"error": "open the link that you were given"})


def test_a_reader_sees_the_list_and_the_pages_and_cannot_answer(shop):
    client = shop.client("reader")
    index = client.get("/")
    assert "Invented &lt;part&gt; one &amp; $co" in index.text
    assert "does not conform" in index.text
    page = client.get(f"/p/{shop.one.id}")
    assert page.status_code == 200
    assert page_from(re.sub('<meta name="probekit-share"[^>]*>\n', "", page.text)).hash == shop.one.page.hash
    reply = shop.post(client, shop.mine())
    assert reply.status_code == 403
    assert "for reading" in reply.json()["error"]


def test_a_link_for_one_page_shows_no_other_and_does_not_tell_it_from_none(shop):
    client = shop.client("one")
    assert "two" not in client.get("/").text
    told = [client.get(f"/p/{page}/events") for page in (shop.two.id, "0" * 16)]
    told += [client.get(f"/p/{page}") for page in (shop.two.id, "0" * 16)]
    assert {(reply.status_code, reply.text) for reply in told} == {(404, '{"error":"there is no such page"}')}
    with client.stream("GET", "/events?after=0") as reply:
        assert reply.status_code == 200


@pytest.mark.parametrize("token", ["", "x", "A" * 32, "A" * 4000, None, 7, ["x"], {"a": 1}, "\ud800", "' OR 1=1 --"])
def test_a_token_that_is_none_opens_nothing(shop, token):
    client = shop.client()
    body = json.dumps({"token": token}).encode()
    reply = client.post("/enter", content=body, headers={"Content-Type": "application/json"})
    assert reply.status_code == 403
    assert "set-cookie" not in reply.headers


def test_an_expired_link_opens_nothing_even_with_its_cookie(shop):
    client = shop.client()
    assert client.post("/enter", json={"token": shop.tokens["old"]}).status_code == 403
    client.cookies.set(f"probekit-{shop.url.rpartition(':')[2]}", shop.tokens["old"])
    assert client.get("/me").status_code == 401


def test_a_revoked_link_closes_within_seconds_also_what_is_open(shop):
    log = Log(shop.path)
    token, body = new_link("gone", answers=True)
    log.append("link", body)
    time.sleep(0.8)
    shop.tokens["gone"] = token
    client = shop.client("gone")
    with client.stream("GET", f"/p/{shop.one.id}/events") as stream:
        lines = stream.iter_lines()
        assert next(lines).startswith("retry:")
        log.append("revoked", {"id": body["digest"][:8]})
        start = time.monotonic()
        assert list(lines)[-1:] in ([], [""])
        assert time.monotonic() - start < 5
    log.close()
    assert client.get(f"/p/{shop.one.id}").status_code == 401


def test_the_cookie_is_for_this_site_alone_and_only_digests_are_kept(shop):
    reply = shop.client().post("/enter", json={"token": shop.tokens["novak"]})
    cookie = reply.headers["set-cookie"]
    assert {"HttpOnly", "Path=/", "SameSite=strict"} <= set(cookie.split("; "))
    assert "Domain" not in cookie
    kept = shop.path.read_bytes()
    assert digest(shop.tokens["novak"]).encode() in kept
    assert not [token for token in shop.tokens.values() if token.encode() in kept]
    assert all(len(token) == 32 for token in shop.tokens.values()), "192 bits in base64"


# ---- answering ----


def test_an_answer_is_received_told_live_and_shown(shop):
    client = shop.client("novak")
    first = shop.post(client, shop.mine(comments=COMMENTS))
    assert first.status_code == 201
    number = first.json()["number"]
    again = shop.post(client, shop.mine(comments=COMMENTS))
    assert (again.status_code, again.json()) == (200, first.json()), "sent twice, received once"
    looking = shop.client("reader")
    with looking.stream("GET", f"/p/{shop.one.id}/events", headers={"Last-Event-ID": str(number - 1)}) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert stream.headers["x-accel-buffering"] == "no"
        lines = stream.iter_lines()
        event = [next(lines) for _ in range(6)]
        assert event[2:4] == [f"id: {number}", "event: answer"]
        assert json.loads(event[4].removeprefix("data: ")) == shop.mine(comments=COMMENTS).data
        second = shop.post(client, shop.mine("scrap", 5))
        assert second.status_code == 201
        assert next(line for line in lines if line.startswith("id:")) == f"id: {number + 1}"
    page = looking.get(f"/p/{shop.one.id}").text
    assert page_from(re.sub('<meta name="probekit-share"[^>]*>\n', "", page)).given[-1] == shop.mine("scrap", 5)
    assert "window.hurt=1</script>" not in page
    about = json.loads(unescape(re.search('name="probekit-share" content="([^"]*)"', page)[1]))
    assert about == {"page": shop.one.id, "name": "reader", "role": "", "answer": False, "after": number + 1}
    assert "Disposition: scrap (A. Novak, quality)." in looking.get("/").text
    assert page_from((shop.folder / "one.html").read_text(encoding="utf-8")).given == (), "the file stays as it is"


@pytest.mark.parametrize(
    ("change", "status", "told"),
    [
        ({"name": "B. Ito"}, 403, "not that of the invitation"),
        ({"role": "director"}, 403, "not that of the invitation"),
        ({"page": "0" * 64}, 422, "not every answer can be used with this page"),
        ({"edition": "0" * 64}, 409, "open it again"),
        ({"disposition": "ship"}, 422, "unknown disposition"),
        ({"reason": "\u202ex"}, 422, "turns its direction"),
        ({"html": "<b>"}, 422, "unknown key"),
        ({"signature": {"key": "A" * 43 + "=", "value": "A" * 86 + "=="}}, 422, "not every answer"),
    ],
)
def test_what_an_invitation_does_not_cover_is_refused(shop, change, status, told):
    reply = shop.post(shop.client("novak"), shop.mine().data | change)
    assert reply.status_code == status
    assert told in reply.json()["error"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "OTHER-SCHEME"},
    ],
)
def test_what_another_site_sends_is_refused(shop, headers):
    if headers.get("Origin") == "OTHER-SCHEME":
        headers = {"Origin": shop.url.replace("http:", "https:")}
    client = shop.client("novak")
    for path, body in ((f"/p/{shop.one.id}/answers", shop.mine().data), ("/enter", {"token": shop.tokens["novak"]})):
        reply = client.post(path, json=body, headers=headers)
        assert (reply.status_code, reply.json()["error"]) == (403, "this was sent by another site")


def test_what_does_not_say_where_it_comes_from_is_refused(shop):
    client = shop.client("novak")
    bare = shop.bare(cookies=client.cookies)
    assert shop.post(bare, shop.mine()).status_code == 403
    assert shop.post(bare, shop.mine(), Origin=shop.url).status_code in (200, 201)


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "text/html", ""]
)
def test_only_json_is_taken(shop, kind):
    client = shop.client("novak")
    reply = client.post(
        f"/p/{shop.one.id}/answers", content=json.dumps(shop.mine().data), headers={"Content-Type": kind}
    )
    assert reply.status_code == 415
    squeezed = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    assert client.post(f"/p/{shop.one.id}/answers", content=b"x", headers=squeezed).status_code == 415


def test_long_bodies_are_refused_with_and_without_their_length(shop):
    client = shop.client("ito")
    json_ = {"Content-Type": "application/json"}
    path = f"/p/{shop.one.id}/answers"
    assert client.post(path, content=b" " * 90_000, headers=json_).status_code == 413
    assert client.post(path, content=(b" " * 9000 for _ in range(10)), headers=json_).status_code == 413
    with socket.create_connection(("127.0.0.1", int(shop.url.rpartition(":")[2]))) as raw:
        raw.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"a" * 70_000)
        assert raw.recv(100).startswith(b"HTTP/1.1 400")


def test_a_link_answers_only_so_often(shop):
    client = shop.client("busy")
    for _ in range(30):
        assert client.post(f"/p/{shop.one.id}/answers", json={}).status_code == 422
    reply = client.post(f"/p/{shop.one.id}/answers", json={})
    assert (reply.status_code, reply.headers["retry-after"]) == (429, "60")


def test_while_another_program_holds_the_log_reading_goes_on_and_answers_are_told_so(shop):
    base = sqlite3.connect(shop.path, isolation_level=None)
    base.execute("BEGIN EXCLUSIVE")
    client, reply = shop.client("ito"), []
    data = answer(shop.one.page, "B. Ito", role="", minute=40).data
    posting = threading.Thread(target=lambda: reply.append(shop.post(client, data)))
    start = time.monotonic()
    posting.start()
    reading = shop.client("reader")
    assert reading.get(f"/p/{shop.two.id}").status_code == 200
    assert time.monotonic() - start < 1.5, "readers are not held up"
    posting.join(30)
    assert (reply[0].status_code, reply[0].headers["retry-after"]) == (503, "3")
    assert time.monotonic() - start < 10
    base.execute("ROLLBACK")
    base.close()
    assert shop.post(client, data).status_code == 201


# ---- every reply, any request ----

HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def guarded(reply) -> None:
    assert {name: reply.headers.get(name) for name in HEADERS} == HEADERS
    policy = reply.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "server" not in reply.headers


def test_every_reply_is_guarded(shop):
    client = shop.client("novak")
    replies = [client.get(path) for path in ("/", f"/p/{shop.one.id}", "/me", "/no", "/p/x/events")]
    replies += [client.post("/"), client.post("/enter", json={}), client.delete(f"/p/{shop.one.id}"), client.head("/")]
    for reply in replies:
        guarded(reply)
    page = client.get(f"/p/{shop.one.id}")
    assert page.headers["content-security-policy"].count("connect-src 'self'") == 1
    assert f'content="{shop.one.policy}"' in page.text


@pytest.mark.parametrize(
    "path",
    [
        "/p/../answers.sqlite",
        "/p/..%2fanswers.sqlite",
        "/p/%2e%2e%2fanswers.sqlite",
        "/p/..%5canswers.sqlite",
        "/answers.sqlite",
        "/one.html",
        "/p/one.html",
        "/p/one.html%00",
        "//etc/passwd",
        "/p//etc/passwd",
        "/p/C:%5cWindows%5cwin.ini",
        "/p/CON",
        "/static/../one.html",
        "/?page=../one.html&file=/etc/passwd",
    ],
)
def test_no_path_leads_to_a_file(shop, path):
    client = shop.client("reader")
    with socket.create_connection(("127.0.0.1", int(shop.url.rpartition(":")[2]))) as raw:  # as it is, not tidied up
        cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
        raw.sendall(
            f"GET {path} HTTP/1.1\r\nHost: {shop.url[7:]}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n".encode()
        )
        told = b"".join(iter(lambda: raw.recv(65536), b""))
    assert b"SQLite" not in told
    assert b"root:" not in told
    assert b'id="given"' not in told
    assert told.startswith((b"HTTP/1.1 404", b"HTTP/1.1 400", b"HTTP/1.1 200")), told[:60]
    assert told.startswith(b"HTTP/1.1 200") is path.startswith("/?")


def test_another_name_of_the_host_is_refused(shop):
    """A name that somebody else's name server lets point to this machine."""
    reply = shop.client().get("/", headers={"Host": "rebound.example"})
    assert reply.status_code == 421
    guarded(reply)


PIECES = st.sampled_from(
    ["p", "enter", "me", "events", "answers", "..", ".", "", "%00", "%2f", "0" * 16, "ONE", "\u00e4", "{", "%"]
)
ODD = [b"{}", b"[]", b"null", b'{"token":', b"[" * 5000, b'"\\ud800"']
SAID = st.text(max_size=20).map(lambda text: json.dumps({"token": text, NAUGHTY: 1}).encode())
BODIES = st.one_of(st.binary(max_size=60), st.sampled_from(ODD), SAID)
KINDS = st.sampled_from(["application/json", "application/json; charset=utf-7", "text/plain", "\u00e4", ""])
METHODS = st.sampled_from(["GET", "POST", "PUT", "HEAD", "OPTIONS", "TRACE", "PATCH"])
QUERIES = st.text(alphabet="0123456789abc-%&=", max_size=12)


@settings(max_examples=150)
@given(st.lists(PIECES, max_size=4), METHODS, BODIES, KINDS, st.sampled_from(["", "novak", "reader"]), QUERIES)
def test_no_request_makes_it_fail(shop, pieces, method, body, kind, who, query):
    """Never a fault of the server, never a page without a link, and the headers always."""
    if not hasattr(shop, "clients"):
        shop.clients = {name: shop.client(name) for name in ("", "novak", "reader")}
    path = "/" + "/".join(pieces).replace("ONE", shop.one.id)
    if path.endswith("events") and method == "GET":
        return  # a stream does not end
    try:
        request = shop.clients[who].build_request(method, f"{path}?after={query}", content=body,
                                                  headers={"Content-Type": kind.encode()})  # fmt: skip
        reply = shop.clients[who].send(request)
    except httpx.InvalidURL:
        return
    assert reply.status_code < 500
    assert not (who == "" and 'id="given"' in reply.text)
    if b"Invalid HTTP request" not in reply.content:  # said by the server before anything of ours
        guarded(reply)


# ---- the folder ----


def test_only_pages_that_probekit_wrote_are_shared(folder, made):
    text = made["one.html"].decode()
    (folder / "evil.html").write_text(text.replace("</body>", "<script>alert(1)</script></body>"))
    policy = re.search(r"script-src '(sha256-[^']*)'", text)[1]
    own = text.replace(policy, "sha256-" + "A" * 43 + "=")
    (folder / "own_script.html").write_text(resealed(own), encoding="utf-8")
    (folder / "wide.html").write_text(resealed(text.replace("img-src data:", "img-src *")), encoding="utf-8")
    (folder / "bare.html").write_text(resealed(re.sub("<meta http-equiv[^>]*>", "", text)), encoding="utf-8")
    (folder / "note.html").write_text("<!DOCTYPE html><p>a note</p>")
    (folder / "latin.html").write_bytes(b"\xff\xfe")
    (folder / "plan.csv").write_text("touch")
    (folder / "sub.html").mkdir()
    links = {"linked.html": folder.parent / "outside.html", "inside.html": folder / "one.html"}
    (folder.parent / "outside.html").write_bytes(made["one.html"])
    for name, to in links.items():
        try:
            (folder / name).symlink_to(to)
        except OSError:
            pytest.skip("this system makes no links")
    pages, left_out = pages_of(folder)
    assert [one.name for one in pages.values()] == ["one.html", "two.html"]
    told = {line.partition(":")[0]: line for line in left_out}
    refused = "evil own_script wide bare note latin sub linked inside".split()
    assert set(told) == {f"{name}.html" for name in refused}
    assert "not as probekit wrote it" in told["evil.html"]
    assert "another version" in told["own_script.html"]
    assert "does not need" in told["wide.html"]
    assert "no policy" in told["bare.html"]
    assert "link to another place" in told["linked.html"]


def test_pages_for_reading_are_shown_and_not_answered(tmp_path, made):
    """Plans, histories and two parts side by side: with their own policy, and only as probekit wrote them."""
    nominal = synthetic.part(6)
    verdict = synthetic.verdict(nominal, 24)
    side = Side(pk_scene.build(nominal, verdict, title="Both <parts>"), verdict, "ab" * 32)
    path = compare_page(side, side, to=tmp_path / "compare.html")
    text = path.read_text(encoding="utf-8")
    (tmp_path / "changed.html").write_text(text.replace("Noted", "Nothing"), encoding="utf-8")
    (tmp_path / "one.html").write_bytes(made["one.html"])
    pages, left_out = pages_of(tmp_path)
    assert [(one.name, one.answered) for one in pages.values()] == [("compare.html", False), ("one.html", True)]
    assert "not as probekit wrote it" in left_out[0]
    one = next(iter(pages.values()))
    assert one.sentence == "compare.html: Both <parts>: two parts, for reading"
    served = Shop(tmp_path)
    client = served.client("reader")
    assert "Both &lt;parts&gt;: two parts" in client.get("/").text
    reply = client.get(f"/p/{one.id}")
    assert reply.status_code == 200
    assert reply.text.count("Content-Security-Policy") == 1
    assert "frame-ancestors 'none'" in reply.headers["content-security-policy"]
    inviting = served.client("novak")
    again = inviting.post(f"/p/{one.id}/answers", json=served.mine().data)
    assert (again.status_code, again.json()["error"].startswith("this page is for reading")) == (403, True)
    for each in served.opened:
        each.close()
    served.server.should_exit = True
    served.thread.join(30)


def resealed(text: str) -> str:
    """What somebody does who changes a page and its edition alike."""
    blank = re.sub(r'(<section id="answers" data-page="[0-9a-f]*" data-edition=")[0-9a-f]*"', r'\1"', text)
    return settle.pages.sealed(blank)


def test_a_page_that_is_changed_or_swapped_while_it_is_shared_is_not_shown(folder, made):
    pages, _ = pages_of(folder)
    one = next(iter(pages.values()))
    one.read()
    one.path.write_bytes(made["two.html"])
    with pytest.raises(InputError, match="changed after the folder was shared"):
        one.read()
    one.path.unlink()
    with pytest.raises(InputError, match="changed after"):
        one.served([])


def test_a_folder_without_a_page_is_refused(tmp_path):
    with pytest.raises(InputError, match="no page to share"):
        pages_of(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        pages_of(tmp_path / "none")


@pytest.mark.parametrize("bad", [{"days": 0}, {"days": 400}, {"days": float("nan")}, {"name": " "}, {"role": "a\nb"}])
def test_a_link_that_cannot_be_is_refused(bad):
    with pytest.raises(InputError):
        new_link(**{"name": "A", **bad})


def test_addresses_and_ports_are_checked():
    assert address("127.0.0.1", 1) == "http://127.0.0.1:1"
    assert address("::1", 1) == "http://[::1]:1"
    assert address("0.0.0.0", 1, "https://Probe.shop.example/") == "https://probe.shop.example"
    for url in ("probe.shop", "ftp://a", "https://a/path", "https://"):
        with pytest.raises(InputError, match="not an address"):
            address("h", 1, url)
    with listening("127.0.0.1", 0) as taken, pytest.raises(InputError, match="nothing can be served"):
        listening("127.0.0.1", taken.getsockname()[1])
    with pytest.raises(InputError, match="there is no such port"):
        listening("127.0.0.1", 99999)


def test_links_name_their_pages_and_state():
    token, body = new_link("A", "b", answers=True, only=["one.html"])
    from probekit.share.links import Link

    link = Link(body["digest"][:8], "A", "b", True, body["expires"], ("one.html",))
    assert link.valid
    assert token not in repr(link)
    assert not replace(link, expires="2020-01-01T00:00:00Z").valid
    assert "revoked" in replace(link, revoked=True).sentence
