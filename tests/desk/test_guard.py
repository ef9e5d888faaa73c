"""Who may ask the desk: nobody but the teacher's own browser, whatever other pages make it send."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from .conftest import HOME, Opened, opened


def stranger(desk: Opened) -> TestClient:
    """A client without the cookie."""
    return TestClient(desk.guard, base_url=HOME, follow_redirects=False)


def test_the_key_is_swapped_for_a_cookie_that_scripts_and_other_sites_can_not_use(desk: Opened) -> None:
    answer = stranger(desk).get(f"/?key={desk.guard.key}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")  # the key doesn't stay in the address
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert desk.guard.key not in cookie


NOT_YET = "This browser hasn't opened the desk yet."
CURE = "Open the desk by the whole address that it showed when it was started; if it was closed since then, start it again."


@pytest.mark.parametrize("where", ["/", "/shelf", "/page/desk.js", "/sheet/gateposts.toml", "/made/x.zip", "/nowhere"])
@pytest.mark.parametrize("key", ["", "wrong", "ключ", "é\x80"])
def test_nothing_is_answered_without_the_key(desk: Opened, where: str, key: str) -> None:
    answer = stranger(desk).get(where, params={"key": key} if key else None)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    told = "This address isn't whole, or it is that of a desk which was closed." if key and where == "/" else NOT_YET
    assert answer.text == f"{told} {CURE}"


def test_a_key_given_twice_or_to_another_path_is_none(desk: Opened) -> None:
    key = desk.guard.key
    assert stranger(desk).get(f"/?key={key}&key={key}").status_code == 403
    assert stranger(desk).get(f"/shelf?key={key}").status_code == 403
    assert stranger(desk).post(f"/?key={key}", headers={"Origin": HOME}).status_code == 403


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "127.0.0.1",  # another port's
        "127.0.0.1:1",
        "localhost:8765.example.org",
        "127.0.0.1:8765@example.org",
        "[::1]:8765",
        "0.0.0.0:8765",
        "",
    ],
)
def test_a_name_that_is_not_its_own_is_refused_though_key_and_cookie_are_right(desk: Opened, host: str) -> None:
    """Against DNS rebinding (NCC Group, Singularity wiki: check the Host against a list)."""
    assert desk.get("/shelf", headers={"Host": host}).status_code == 400
    assert stranger(desk).get(f"/?key={desk.guard.key}", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize(
    "origin",
    [
        None, "null", "https://example.org", "http://127.0.0.1:9999", "https://127.0.0.1:8765", "http://localhost:8765",
        HOME + ".example.org", HOME + "/",
    ],
)  # fmt: skip
def test_what_changes_something_needs_the_desks_own_origin(desk: Opened, lessons: Path, origin: str | None) -> None:
    before = sorted(path.name for path in lessons.iterdir())
    headers = {} if origin is None else {"Origin": origin}
    for where in ("/sheets", "/close", "/lessons", "/sheet/gateposts.toml/changes", "/sheet/gateposts.toml/sound"):
        answer = desk.client.post(where, json={"chords": "G C D"}, headers=headers)
        assert answer.status_code == 403, where
        assert answer.text.startswith(
            "Something other than the desk's page wanted to change a sheet. Nothing was changed."
        )
    assert sorted(path.name for path in lessons.iterdir()) == before


def test_other_methods_change_nothing_either(desk: Opened) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert desk.client.request(method, "/sheet/gateposts.toml").status_code == 403
        assert desk.client.request(method, "/sheet/gateposts.toml", headers={"Origin": HOME}).status_code == 405


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_another_page_embeds_is_refused(desk: Opened, site: str) -> None:
    """A browser says of every request whose page asked (Fetch Metadata, W3C)."""
    answer = desk.get("/sheet/gateposts.toml", headers={"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "no-cors"})
    assert answer.status_code == 403


def test_no_answer_lets_another_origin_in_and_each_forbids_foreign_scripts(desk: Opened) -> None:
    for where in ("/", "/shelf", "/page/desk.css", "/sheet/gateposts.toml", "/nowhere"):
        headers = desk.get(where, headers={"Origin": "https://example.org"}).headers
        assert not [name for name in headers if name.lower().startswith("access-control-")]
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-resource-policy"] == "same-origin"


def test_a_gigabyte_is_refused_before_it_is_taken(desk: Opened) -> None:
    answer = desk.client.post("/book", content=b"", headers={"Origin": HOME, "Content-Length": str(1_000_000_000)})
    assert answer.status_code == 413


def test_more_than_was_announced_is_not_taken(lessons: Path) -> None:
    small = opened(lessons, most_body=100_000)
    sent = 0

    def endless() -> Iterator[bytes]:
        nonlocal sent
        for _ in range(1000):
            sent += 50_000
            yield b"%" * 50_000

    answer = small.client.post("/book", content=endless(), headers={"Origin": HOME, "Transfer-Encoding": "chunked"})
    assert answer.status_code == 413


@pytest.mark.parametrize("length", ["-1", "1e9", "x", "+5"])
def test_a_length_that_is_no_number_is_refused(desk: Opened, length: str) -> None:
    answer = desk.client.post("/book", content=b"", headers={"Origin": HOME, "Content-Length": length})
    assert answer.status_code == 413
