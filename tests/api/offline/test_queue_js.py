"""The queue's logic without a browser: order, exactly once, nothing dropped. The service in ``world.mjs`` keeps to the
IETF draft "The Idempotency-Key HTTP Header Field", as the real one does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from . import node

WORLD = (Path(__file__).parent / "world.mjs").as_uri()


def play(script: str, given: object = None) -> Any:
    return node.run(f'const q = await load("queue.js"); const w = await import("{WORLD}"); {script}', given)


KEPT = "const p = w.phone(q, service); const items = w.part(q); await p.queue.keep(items);"


def test_all_go_in_order_each_once() -> None:
    said = play(f"""
      const service = new w.Service(); {KEPT}
      const report = await p.queue.send();
      return {{ report, paths: service.records.map((one) => one.path.replace(/[0-9a-f-]{{36}}/, "ID")),
               left: p.store.rows.length, log: p.store.log.length }};
    """)
    expected = ["/api/v1/photos", "/api/v1/photos", "/api/v1/grades", "/api/v1/grades/ID/readings"]
    assert said["paths"] == expected
    assert said["report"] == {"sent": 4, "left": 0, "wait": None, "login": False}
    assert (said["left"], said["log"]) == (0, 4)


def test_an_answer_lost_after_the_service_stored_it_doubles_nothing() -> None:
    said = play(f"""
      const service = new w.Service((path, count) => (count % 2 ? "lost" : "ok")); {KEPT}
      const rounds = await p.settle();
      return {{ rounds, ids: service.records.map((one) => one.id), items: items.map((one) => one.id) }};
    """)
    assert said["ids"] == said["items"]
    assert said["rounds"] is not None


def test_whatever_the_link_does_each_record_comes_once_and_in_order() -> None:
    """Random cuts, lost answers, refusals for want of hands, a log-in page in place of an answer; 60 seeds."""
    runs = play(
        """
      const moods = ["ok", "ok", "cut", "lost", { status: 503, body: {}, headers: { "Retry-After": "7" } },
                     { status: 500, body: "oops" }, { status: 200, body: "<html>hotel</html>" }];
      const run = async (seed) => {
        let state = seed * 2654435761 + 1;
        const chance = () => ((state = (state * 1664525 + 1013904223) >>> 0) / 2 ** 32);
        const service = new w.Service(() => moods[Math.floor(chance() * moods.length)]);
        const p = w.phone(q, service);
        const parts = [w.part(q), w.part(q), w.part(q)];
        await Promise.all(parts.map((items) => p.queue.keep(items)));
        const rounds = await p.settle(300);
        return { rounds, left: p.store.rows.length, ids: service.records.map((one) => one.id),
                 parts: parts.map((items) => items.map((one) => one.id)) };
      };
      return Promise.all(Array.from({ length: given }, (_, seed) => run(seed)));
    """,
        60,
    )
    assert len(runs) == 60
    for said in runs:
        assert said["rounds"] is not None
        assert said["left"] == 0
        assert sorted(said["ids"]) == sorted(id for part in said["parts"] for id in part)
        for photo, other, grade, reading in said["parts"]:
            place = said["ids"].index
            assert max(place(photo), place(other)) < place(grade) < place(reading)


def test_a_refused_item_stays_with_its_message_and_holds_back_what_needs_it_only() -> None:
    said = play(f"""
      const no = {{ status: 422, body: {{ detail: "No." }} }};
      const service = new w.Service((path) => (path.endsWith("grades") ? no : "ok"));
      {KEPT}
      await p.queue.keep([q.item("walk", "/api/v1/walks", {{}}, {{ label: "Walk" }})]);
      const rounds = await p.settle(5);
      const held = p.store.rows.map((one) => [one.kind, one.state, one.message]);
      service.mood = () => "ok";
      await p.queue.retry(p.store.rows[1].seq);  // of the reading: its grade goes again, too
      await p.settle();
      const paths = service.records.map((one) => one.path.split("/").at(-1));
      return {{ rounds, held, paths, left: p.store.rows.length }};
    """)
    assert said["held"] == [["grade", "parked", "No."], ["reading", "waiting", ""]]
    assert said["paths"] == ["photos", "photos", "walks", "grades", "readings"]
    assert said["left"] == 0


def test_not_logged_in_keeps_everything_and_asks() -> None:
    said = play(f"""
      const no = {{ status: 401, body: {{ detail: "Log in" }} }};
      const service = new w.Service((path, count) => (count === 2 ? no : "ok"));
      {KEPT}
      const first = await p.queue.send();
      const message = p.store.rows[0].message;
      const second = await p.queue.send();
      return {{ first, second, message, ids: service.records.map((one) => one.id), items: items.map((one) => one.id) }};
    """)
    assert said["first"] == {"sent": 1, "left": 3, "wait": None, "login": True}
    assert "Log in" in said["message"]
    assert said["second"]["left"] == 0
    assert said["ids"] == said["items"]


def test_without_a_link_nothing_is_tried_and_nothing_parked() -> None:
    said = play("""
      const service = new w.Service();
      const p = w.phone(q, service, { link: async () => null });
      await p.queue.keep(w.part(q));
      const report = await p.queue.send();
      return { report, calls: service.calls, states: p.store.rows.map((one) => one.state) };
    """)
    assert said["calls"] == 0
    assert said["report"]["wait"] > 0
    assert said["states"] == ["waiting"] * 4


def test_what_another_account_kept_is_not_sent_under_this_one() -> None:
    said = play("""
      let account = "a";
      const service = new w.Service();
      const p = w.phone(q, service, { link: async () => ({ csrf: "", account }) });
      p.store.facts.account = "a";
      await p.queue.keep(w.part(q));
      account = "b";
      await p.settle(3);
      const parked = p.store.rows.filter((one) => one.state === "parked").length;
      account = "a";
      for (const one of p.store.rows) await p.queue.retry(one.seq);
      await p.settle();
      return { parked, records: service.records.length };
    """)
    assert said == {"parked": 2, "records": 4}


def test_pauses_grow_and_keep_to_retry_after() -> None:
    said = play("""
      const busy = { status: 503, body: { detail: "busy" }, headers: { "Retry-After": "90" } };
      const service = new w.Service((path, count) => (count <= 6 ? "cut" : count === 7 ? busy : "ok"));
      const p = w.phone(q, service);
      await p.queue.keep([q.item("walk", "/api/v1/walks", {}, {})]);
      const waits = [];
      for (let i = 0; i < 8; i++) {
        const { wait } = await p.queue.send();
        waits.push(wait);
        p.clock.ms += wait ?? 0;
      }
      return waits;
    """)
    assert said == [2000, 4000, 8000, 16000, 32000, 64000, 128000, None]


def test_retry_after_wins_over_a_shorter_pause() -> None:
    said = play("""
      const service = new w.Service(() => ({ status: 503, body: {}, headers: { "Retry-After": "90" } }));
      const p = w.phone(q, service);
      await p.queue.keep([q.item("walk", "/api/v1/walks", {}, {})]);
      return (await p.queue.send()).wait;
    """)
    assert said == 90_000


def test_removing_a_photo_removes_what_cannot_go_without_it() -> None:
    said = play(f"""
      const service = new w.Service(); {KEPT}
      await p.queue.keep([q.item("walk", "/api/v1/walks", {{}}, {{}})]);
      const gone = await p.queue.withDependants(p.store.rows[0].seq);
      await p.queue.remove(gone);
      return {{ gone: gone.map((one) => one.kind), left: p.store.rows.map((one) => one.kind) }};
    """)
    assert said == {"gone": ["photo", "grade", "reading"], "left": ["photo", "walk"]}


def test_an_item_kept_while_others_are_on_their_way_goes_in_the_same_round() -> None:
    said = play("""
      let p;
      const late = q.item("walk", "/api/v1/walks", {}, {});
      const service = new w.Service((path, count) => { if (count === 1) p.queue.keep([late]); return "ok"; });
      p = w.phone(q, service);
      await p.queue.keep(w.part(q));
      const { sent } = await p.queue.send();
      return sent;
    """)
    assert said == 5


def test_archive_of_what_is_kept_reads_back(tmp_path: Path) -> None:
    """Read by Python's own zipfile, which checks the sums."""
    import io
    import zipfile

    said = node.run(
        """
      const { zip } = await load("zip.js");
      const photo = new Blob([new Uint8Array(given)]);
      const blob = await zip([["records.json", new Blob(['[{"é": 1}]'])], ["ü.jpg", photo]]);
      return [...new Uint8Array(await blob.arrayBuffer())];
    """,
        list(range(256)),
    )
    with zipfile.ZipFile(io.BytesIO(bytes(said))) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == ["records.json", "ü.jpg"]
        assert archive.read("ü.jpg") == bytes(range(256))


def test_a_grade_that_comes_back_tells_which_check_is_asked_for() -> None:
    said = play("""
      const grade = q.newId();
      const asked = { why: "drawn", reason: "Drawn by chance.", checks: ["coupler-wipe"], chance: 0.2 };
      const service = new w.Service((path) =>
        path.endsWith("/grades") ? { status: 201, body: { id: grade, asked } } : "ok");
      const p = w.phone(q, service);
      await p.queue.keep(q.gradeItems([{ name: "a.jpg" }], { part: "coupler", id: grade }).slice(-1).map((one) =>
        ({ ...one, needs: [] })));
      await p.queue.keep([q.item("walk", "/api/v1/walks", {}, {})]);
      await p.queue.send();
      return p.store.log.map((one) => one.asked ?? null);
    """)
    assert said == ["Drawn by chance.", None]
