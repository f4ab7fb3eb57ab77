"""Reads the calendar feed back with PyPI `icalendar` and the tables with Python's `csv`, and holds them to the JSON answers."""

import csv
import io
import json
import os

import icalendar

from client import ask, devices

URL = os.environ["TAPPETBOOK_URL"]
TOKEN = devices(URL, os.environ["TAPPETBOOK_CODE"], 1)[0].log_in()


def read(path):
    status, _, body = ask("GET", URL + path, TOKEN)
    assert status == 200, (path, status, body)
    return json.loads(body)


def table(path, count):
    status, headers, body = ask("GET", URL + path, TOKEN)
    assert status == 200 and headers["content-type"].startswith("text/csv"), (path, status, headers)
    # RFC 4180 section 2: every line ends in CRLF; strict refuses stray quotes.
    rows = list(csv.DictReader(io.StringIO(body.decode("utf-8"), newline=""), strict=True))
    assert body.endswith(b"\r\n") and len(rows) == count, (path, len(rows), count)
    assert all(None not in row and None not in row.values() for row in rows), path
    assert not any(cell[:1] in ("=", "+", "@", "\t") for row in rows for cell in row.values()), path
    print(f"{path}: {count} rows of {len(rows[0]) if rows else 0} cells")
    return rows


status, _, body = ask("POST", URL + "/v1/calendar-feed", TOKEN)
assert status == 200, body
status, headers, body = ask("GET", URL + json.loads(body)["path"])
assert status == 200 and headers["content-type"].startswith("text/calendar"), (status, headers)
# RFC 5545 section 3.1.
assert all(len(line) <= 75 for line in body.split(b"\r\n")) and b"\n" not in body.replace(b"\r\n", b"")
calendar = icalendar.Calendar.from_ical(body)
events = {str(event["UID"]): event for event in calendar.walk("VEVENT")}
assert not calendar.errors and not any(event.errors for event in events.values())
due = read("/v1/due")
dated = {f"due-{line['machine']}@tappetbook": line for line in due if (line["due"] or {}).get("date")}
assert dated and events.keys() == dated.keys(), (sorted(events), sorted(dated))
for uid, line in dated.items():
    event = events[uid]
    assert event["DTSTART"].dt.isoformat() == line["due"]["date"], uid
    assert str(event["SUMMARY"]).startswith(line["tag"] + ": "), uid
    assert line["words"] in str(event["DESCRIPTION"]) and str(event.get("LOCATION", "")) == line["property_name"], uid
print(f"{len(events)} events read back")

machines = read("/v1/machines?limit=500")["items"]
assert [row["machine_id"] for row in table("/v1/machines.csv", len(machines))] == [line["machine"] for line in machines]
assert [row["machine_id"] for row in table("/v1/due.csv", len(due))] == [line["machine"] for line in due]
table("/v1/engine-cards.csv", len(read("/v1/engine-cards")["items"]))
kinds = {"clearance": [], "hours": []}
for machine in machines:
    for line in read(f"/v1/machines/{machine['machine']}/history?limit=500")["items"]:
        kinds.get(line["kind"], []).append(line)
for path, kind in (("/v1/readings.csv", "clearance"), ("/v1/hours.csv", "hours")):
    fates = {line["record"]: line["fate"] for line in kinds[kind]}
    rows = table(path, len(fates))
    assert rows and {row["record_id"]: row["fate"] for row in rows} == fates, path
    for row in rows if kind == "clearance" else []:
        for end in ("go", "no_go"):
            if row[end + "_thou"]:
                # 1 in = 25.4 mm exactly.
                assert abs(float(row[end + "_thou"]) * 0.0254 - float(row[end + "_mm"])) < 1e-4, row
