"""Two people at once in real browsers, a server that is killed while they answer, and many who look."""

from __future__ import annotations

import threading
import time
import urllib.error
import urllib.request

import httpx
import pytest
from benchmarks import bench_report
from browser import PATIENCE
from settle.answering import answer

from probekit import cli, settle
from probekit.share import verify

LIVE = "document.querySelector('#answers')?.dataset.live === 'yes'"
COUNT = "document.querySelector('#answers')?.dataset.count"
ALLOWED = (
    "3D view did not start",
    "WebGL",
    "ERR_CONNECTION_REFUSED",
    "ERR_CONNECTION_RESET",
    "ERR_EMPTY_RESPONSE",
    "ERR_INCOMPLETE_CHUNKED_ENCODING",
    "status of 401",
    "status of 403",
)


def until(page, expression: str):
    """As `bench_report.until`, for a page that may just be going to another one."""
    for _ in range(20):
        try:
            return bench_report.until(page, expression)
        except Exception as error:
            if "context was destroyed" not in str(error):
                raise
            page.wait_for_timeout(100)
    raise AssertionError(f"the page never stays: {expression}")


def client_of(server, link: str) -> httpx.Client:
    """What a browser does with a link."""
    client = httpx.Client(base_url=server.url, headers={"Origin": server.url}, timeout=30)
    assert client.post("/enter", json={"token": link.partition("#k=")[2]}).status_code == 200
    return client


def page_of(client) -> str:
    return client.get("/").text.partition('href="/p/')[2][:16]


def test_kill_in_the_middle_loses_nothing_that_was_acknowledged(server, folder):
    """Three people answer without pause; twice the server is killed and started again."""
    links = [server.link(f"P{k}", answers=True) for k in range(3)]
    of, acknowledged, stop = settle.read_page(folder / "one.html"), {}, threading.Event()

    def answering(k: int, client: httpx.Client, page: str) -> None:
        sent = 0
        while not stop.is_set():
            one = answer(of, f"P{k}", role="", minute=sent % 60, reason=f"answer {sent}")
            try:
                reply = client.post(f"/p/{page}/answers", json=one.data)
            except httpx.HTTPError:
                time.sleep(0.05)
                continue
            if reply.status_code in (200, 201):
                acknowledged[one.id] = reply.json()
                sent += 1
            elif reply.status_code == 429:  # the counter starts anew with the server
                stop.wait(0.1)

    clients = [client_of(server, link) for link in links]
    page = page_of(clients[0])
    threads = [threading.Thread(target=answering, args=(k, one, page)) for k, one in enumerate(clients)]
    for one in threads:
        one.start()
    for _ in range(2):
        before = len(acknowledged)
        while len(acknowledged) < before + 9:
            time.sleep(0.01)
        server.kill()
        server.start()
    before = len(acknowledged)
    while len(acknowledged) < before + 9:
        time.sleep(0.01)
    server.kill()
    stop.set()
    for one in threads:
        one.join(30)
    for one in clients:
        one.close()
    assert len(acknowledged) >= 27
    receipts = {one["number"]: one["receipt"] for one in acknowledged.values()}
    assert len(receipts) == len(acknowledged)
    verify(folder / "answers.sqlite", receipts)
    assert cli.main(["share", str(folder), "--answers", str(folder / "out")]) == 0
    files = [path.read_bytes() for path in (folder / "out").iterdir()]
    assert set(acknowledged) <= {settle.read_answers(data)[0].id for data in files}
    settled = settle.merge(of, [one for data in files for one in settle.read_answers(data)])
    assert settled.decision == "re-cut"


def test_two_hundred_look_and_hear_an_answer(server, folder):
    """Bounded: 200 event streams and 200 readings of a page; nobody is refused, all hear within seconds."""
    reader, invited = client_of(server, server.link("all")), client_of(server, server.link("A", answers=True))
    page, of = page_of(reader), settle.read_page(folder / "one.html")
    cookie = "; ".join(f"{name}={value}" for name, value in reader.cookies.items())
    heard, failed, ready = [], [], threading.Semaphore(0)

    def looking(k: int) -> None:
        request = urllib.request.Request(f"{server.url}/p/{page}/events", headers={"Cookie": cookie})
        try:
            whole = urllib.request.Request(f"{server.url}/p/{page}", headers={"Cookie": cookie})
            with urllib.request.urlopen(whole, timeout=60) as reply:
                assert len(reply.read()) > 500_000
            with urllib.request.urlopen(request, timeout=60) as stream:
                ready.release()
                for line in stream:
                    if line.startswith(b"id:"):
                        heard.append(time.monotonic())
                        return
        except (OSError, AssertionError, urllib.error.URLError) as error:
            failed.append(f"{k}: {error!r}")
            ready.release()

    threads = [threading.Thread(target=looking, args=(k,), daemon=True) for k in range(200)]
    for one in threads:
        one.start()
    for _ in threads:
        assert ready.acquire(timeout=120)
    assert failed == []
    start = time.monotonic()
    assert invited.post(f"/p/{page}/answers", json=answer(of, "A", role="").data).status_code == 201
    for one in threads:
        one.join(60)
    assert failed == []
    assert len(heard) == 200
    assert max(heard) - start < 20
    reader.close()
    invited.close()


# ---- in browsers ----


@pytest.fixture(scope="module")
def chromiums(chromium):
    sync_api = pytest.importorskip("playwright.sync_api")
    arguments = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-3d-apis"]
    with sync_api.sync_playwright() as session:
        two = [session.chromium.launch(executable_path=chromium, args=arguments) for _ in range(2)]
        yield two
        for one in two:
            one.close()


@pytest.fixture
def visit(chromiums, server):
    """Open a link in one of two browsers; nothing complains, and nothing is asked of anybody else."""
    heard, contexts = [], []

    def opened(k: int, link: str, **options):
        context = chromiums[k].new_context(**options)
        context.set_default_timeout(PATIENCE)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda r: None if r.url.startswith((server.url, "data:", "blob:")) else heard.append(r.url))
        page.on("pageerror", lambda error: heard.append(str(error)))
        page.on(
            "console",
            lambda m: m.type in ("error", "warning") and not any(a in m.text for a in ALLOWED) and heard.append(m.text),
        )
        page.goto(link)
        return page

    yield opened
    for one in contexts:
        one.close()
    assert heard == []


def send(page, what: str, reason: str) -> None:
    page.locator(f"#answer input[value='{what}']").check()
    page.locator("#answer-reason").fill(reason)
    page.locator("#answer-send").click()
    until(page, "document.querySelector('#answer-told').textContent.startsWith('Received as number')")


@pytest.mark.browser
def test_two_people_settle_a_page_together(server, visit, folder, tmp_path):
    """Deep link, answers live both ways, a name that cannot be changed, a restart, a copy that needs no server."""
    novak = server.invited("A. <b>Novak</b>", "quality")
    ito = server.link("B. Ito", answers=True)
    first = visit(0, novak)
    until(first, "location.pathname === '/' && location.hash === '' && !!document.querySelector('.pages')")
    assert "A. <b>Novak</b>, quality. You can answer" in first.locator(".who").inner_text()
    first.locator(".pages a").first.click()
    until(first, LIVE)
    address = first.evaluate("location.pathname").removeprefix("/p/")
    second = visit(1, f"{ito}&p={address}&touch=7")
    until(second, LIVE)
    assert second.evaluate("probekit.selected()") == "7"
    assert first.evaluate("document.cookie") == second.evaluate("document.cookie") == ""
    assert first.locator("#answer-name").input_value() == "A. <b>Novak</b>"
    assert not first.locator("#answer-name").is_editable()

    send(first, "re-cut", "0.03 left <i>on</i>")
    until(second, f"{COUNT} === '1'")
    assert "Disposition: re-cut (A. <b>Novak</b>, quality)." in second.locator("#decision").inner_text()
    assert second.locator("#decision i, #said i").count() == 0
    send(second, "scrap", "too thin")
    until(first, f"{COUNT} === '2'")
    assert "contradict each other" in first.locator("#decision .settled").inner_text()

    server.kill()
    until(first, "document.querySelector('#answers')?.dataset.live === 'no'")
    server.start()
    for page in (first, second):
        until(page, LIVE)
    send(second, "re-cut", "agreed")
    until(first, f"{COUNT} === '3'")
    assert "Disposition: re-cut (" in first.locator("#decision .settled").inner_text()
    verify(folder / "answers.sqlite")

    with first.expect_download() as waiting:
        first.locator("#answer input[value='re-cut']").check()
        first.locator("#answer-reason").fill("saved beside it")
        first.locator("#answer-page").click()
    waiting.value.save_as(tmp_path / "copy.html")
    text = (tmp_path / "copy.html").read_text(encoding="utf-8")
    assert "probekit-share" not in text.partition("</head>")[0]
    assert "connect-src" not in text.partition("</head>")[0]
    assert len(settle.read_answers(text.encode())) == 4


@pytest.mark.browser
def test_a_reader_on_a_phone_sees_the_list_live_and_no_form(server, visit, folder):
    link, invited = server.link("customer"), client_of(server, server.link("A", answers=True))
    page = visit(0, link, viewport={"width": 360, "height": 640}, is_mobile=True, has_touch=True)
    until(page, "!!document.querySelector('.pages')")
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    assert page.evaluate("Math.min(...[...document.querySelectorAll('.pages li')].map(e => e.offsetHeight))") >= 44
    until(page, "document.querySelector('#told')?.textContent.startsWith('New answers appear')")
    of = settle.read_page(folder / "one.html")
    assert invited.post(f"/p/{page_of(invited)}/answers", json=answer(of, "A", role="").data).status_code == 201
    until(page, "document.body.textContent.includes('Disposition: re-cut (A).')")
    page.locator(".pages a").first.click()
    until(page, LIVE)
    assert page.locator("#answer").is_hidden()
    invited.close()


@pytest.mark.browser
def test_a_link_that_is_none_says_so(server, visit):
    page = visit(0, f"{server.url}/#k=nonsense")
    until(page, "document.querySelector('#told')?.textContent.includes('not valid')")
    assert page.evaluate("location.hash") == ""
    assert page.context.cookies() == []
