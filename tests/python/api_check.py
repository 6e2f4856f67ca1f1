"""Holds a running dashboard against what it says of itself.

    api_check.py http://127.0.0.1:8722/ [TOKEN]

With the access token of a dashboard that has one, only the door is looked at: what is open to everybody, the way in, and what
happens to whoever guesses.

Its OpenAPI document has to be one (openapi-spec-validator); every answer it gives here has to be as the document says
(jsonschema, JSON Schema 2020-12), for good questions and for bad ones made from the document's own limits: every error is a
problem document that names what is to blame. Its metrics are read by the parser of another program (prometheus-client), and
have to agree with the JSON; what is downloaded as CSV and as Parquet (pyarrow) has the same rows, those that the JSON lists. None
of the readers knows Nightclamp.
"""

import csv
import datetime
import http.client
import io
import itertools
import json
import sys
import urllib.parse

import jsonschema
import openapi_spec_validator
import pyarrow.parquet
from prometheus_client.openmetrics.parser import text_string_to_metric_families

DIALECT = jsonschema.Draft202012Validator
WHOLE_NUMBER_MAX = 2**63 - 1


class Dashboard:
    def __init__(self, url):
        self.address = urllib.parse.urlsplit(url).netloc
        self.document = {}
        self.answers = 0

    def ask(self, method, path, body=None, headers=None):
        """Status, headers in lower case and body of an answer."""
        connection = http.client.HTTPConnection(self.address, timeout=30)
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        read = b"" if path.endswith("/live") and answer.status == 200 else answer.read()
        self.answers += 1
        kept = {name.lower(): value for name, value in answer.getheaders()}
        connection.close()
        return answer.status, kept, read

    def at(self, ref):
        found = self.document
        for part in ref.removeprefix("#/").split("/"):
            found = found[part.replace("~1", "/").replace("~0", "~")]
        return found

    def whole(self, thing):
        """What is written down, its reference followed."""
        return self.at(thing["$ref"]) if "$ref" in thing else thing

    def holds(self, schema, value, what):
        schema = {"components": self.document["components"], **schema}
        for error in DIALECT(schema).iter_errors(value):
            raise AssertionError(f"{what}: {error.json_path}: {error.message[:300]}")

    def expect(self, method, path, wanted=None, body=None, headers=None, template=None):
        """Asks, holds the answer against the document, and gives what was in it."""
        template = template or path.partition("?")[0]
        status, got, read = self.ask(method, path, body, headers)
        what = f"{method} {path[:120]}: {status}"
        assert wanted is None or status == wanted, f"{what}, not {wanted}: {read[:300]}"
        operation = self.document["paths"].get(template, {}).get(method.lower(), {})
        said = operation.get("responses", {})
        written = said.get(str(status)) or self.document["components"]["responses"]["Problem"]
        contents = self.whole(written).get("content", {})
        assert got["cache-control"] == "no-store" and "access-control-allow-origin" not in got, what
        if not contents:
            assert not read, f"{what}: a body that is not written down"
            return None
        kind = got["content-type"].partition(";")[0]
        assert kind in contents, f"{what}: {kind}, not one of {list(contents)}"
        value = json.loads(read) if kind.endswith("json") else read
        if kind.endswith("json"):
            self.holds(contents[kind]["schema"], value, what)
        elif kind.startswith("text/") or kind.startswith("application/openmetrics"):
            self.holds(contents[kind]["schema"], read.decode(), what)
        if status >= 400:
            assert value["status"] == status, what
        return value

    def refuses(self, status, culprit, method, path, body=None, headers=None, template=None):
        """Asks something that has to be refused, with a word on what is to blame."""
        problem = self.expect(method, path, status, body, headers, template)
        assert culprit in problem["detail"], f"{method} {path[:120]}: {problem['detail']!r} does not name {culprit}"


def query(**asked):
    return "?" + urllib.parse.urlencode(asked)


def good(dash, unit, now):
    """Every route that shows something, in every way the document has for it."""
    first, last = now["record"]
    stretches = [{}, {"from": first}, {"to": last}, {"from": last - 3_600_000_000, "to": last}, {"from": 0, "to": 1}]
    stretches += [{"from": -(2**63), "to": WHOLE_NUMBER_MAX}, {"from": last - 5_000_000, "to": last, "points": 4000}]
    for name in ("series", "happened", "events", "night", "summary", "cycling"):
        for asked in stretches:
            for points in ({}, {"points": 1}, {"limit": 2000}, {"limit": 1, "points": 3}):
                dash.expect("GET", f"/api/v1/{name}" + query(**{"unit": unit, **asked, **points}), 200)
    parameters = [dash.whole(p) for p in dash.document["paths"]["/api/v1/cycles"]["get"]["parameters"]]
    named = {p["name"]: p["schema"]["enum"] for p in parameters if "enum" in p["schema"]}
    for sort, order in itertools.product(named["sort"], named["order"]):
        dash.expect("GET", "/api/v1/cycles" + query(unit=unit, sort=sort, order=order, limit=50), 200)
    for name in ("start", "ended_by", "cause"):
        for value in named[name]:
            dash.expect("GET", "/api/v1/cycles" + query(unit=unit, **{name: value}), 200)
    cycles = dash.expect("GET", "/api/v1/cycles" + query(unit=unit, limit=2000), 200)
    assert cycles["total"] == len(cycles["cycles"]) > 10, cycles["total"]
    tail = dash.expect("GET", "/api/v1/cycles" + query(unit=unit, skip=cycles["total"] - 1), 200)
    assert tail["cycles"] == cycles["cycles"][-1:]
    for cycle in cycles["cycles"][:: max(1, cycles["total"] // 12)]:
        one = dash.expect("GET", "/api/v1/cycle" + query(unit=unit, on_at=cycle["on_at_us"]), 200)
        assert one["cycle"]["on_at_us"] == cycle["on_at_us"]
    for path in ("/", "/healthz", "/readyz", "/metrics", "/api/v1/openapi.json"):
        dash.expect("GET", path, 200)
    for name in ("main.js", "style.css", "icon.svg"):
        dash.expect("GET", f"/assets/{name}", 200, template="/assets/{name}")


def downloads(dash, unit, now):
    """What is downloaded: the same rows in both forms, and those that the other addresses list."""
    first, last = now["record"]
    middle = {"from": first + (last - first) // 3, "to": first + (last - first) // 3 + 1_800_000_000}
    count = 0
    tables = next(dash.whole(p) for p in dash.document["paths"]["/api/v1/table"]["get"]["parameters"] if p.get("name") == "table")["schema"]["enum"]
    for table, asked in itertools.product(tables, (middle, {"from": 0, "to": 1})):
        asked = {"unit": unit, "table": table, **asked}
        whole, rows = in_both_forms(dash, "/api/v1/table", asked)
        if asked["from"] == 0:
            assert not rows or table in ("times", "terms"), asked
        elif table == "cycles":
            listed = dash.expect("GET", "/api/v1/cycles" + query(unit=unit, order="asc", limit=2000, **middle), 200)
            got = [int(instant.timestamp() * 1_000_000 + 0.5) for instant in whole["on_at"].to_pylist()]
            assert got == [cycle["on_at_us"] for cycle in listed["cycles"]] and got, "cycles as they are listed"
            count += laid(dash, unit, got, last)
        elif table in TOLD:
            TOLD[table](dash, {"unit": unit, **middle}, whole)
        count += len(rows)
    reached = dash.expect("GET", "/api/v1/now", 200)["record"][1]
    newest, _ = in_both_forms(dash, "/api/v1/table", {"unit": unit, "table": "samples", "from": reached - 60_000_000, "to": reached})
    behind_s = (reached - microseconds(newest["time"])[-1]) / 1e6
    assert behind_s < 10, f"the tables were not brought up to date: {behind_s} s are lacking"
    trips = dash.expect("GET", "/api/v1/table" + query(unit=unit, table="cycles", format="csv", ended_by="protector"), 200)
    listed = dash.expect("GET", "/api/v1/cycles" + query(unit=unit, ended_by="protector", limit=1), 200)
    assert trips.decode().count("\r\n") - 1 >= listed["total"] - 1 > 0, "those that the protector ended"
    dash.refuses(400, "cause", "GET", "/api/v1/table" + query(unit=unit, table="events", format="csv", cause="early"))
    return count


def in_both_forms(dash, path, asked):
    """A table as Parquet has it, and the rows of the same as CSV: they have to be the same, whatever reads them."""
    text = dash.expect("GET", path + query(**asked, format="csv"), 200).decode()
    header, *rows = csv.reader(io.StringIO(text, newline=""))
    read = dash.expect("GET", path + query(**asked, format="parquet"), 200)
    whole = pyarrow.parquet.read_table(io.BytesIO(read))
    assert whole.column_names == header and whole.num_rows == len(rows), (asked, whole.num_rows, len(rows))
    for name, at in ((name, at) for at, name in enumerate(header)):
        same = [cell(value) for value in whole[name].to_pylist()] == [untyped(row[at]) for row in rows]
        assert same, f"{asked}: column {name} of the CSV is not that of the Parquet file"
    return whole, rows


def microseconds(column):
    return [int(round(instant.timestamp() * 1_000_000)) for instant in column.to_pylist()]


def laid(dash, unit, starts, last):
    """Two starts laid over each other: the samples of the table around each; and of what came last, what is in no table yet."""
    asked = {"unit": unit, "laid": ",".join(f"start@{at}" for at in starts[:2]), "since": -2_000_000, "until": 5_000_000}
    whole, _ = in_both_forms(dash, "/api/v1/laid", asked)
    times, letters = microseconds(whole["time"]), whole["laid"].to_pylist()
    for letter, at in zip("AB", starts):
        stretch = {"unit": unit, "table": "samples", "from": at - 2_000_000, "to": at + 5_000_000}
        samples, _ = in_both_forms(dash, "/api/v1/table", stretch)
        got = [time for time, of in zip(times, letters) if of == letter]
        assert got == microseconds(samples["time"]) and got, f"the samples around {at}"
    newest = {"unit": unit, "laid": f"trip@{last}", "since": -1_000_000, "until": 1}
    newest = dash.expect("GET", "/api/v1/laid" + query(**newest, format="csv"), 200).decode()
    assert newest.count("\r\n") > 2, "the last second is in no table yet, and laid all the same"
    return whole.num_rows


def told_sentences(dash, stretch, whole):
    said = dash.expect("GET", "/api/v1/night" + query(**stretch), 200)["night"]["sentences"]
    assert whole["text"].to_pylist() == [one["text"] for one in said] and len(said) > 3, "sentences as they are told"
    assert whole["rows"].to_pylist() == [one["rows_total"] for one in said], "what they rest on"
    assert microseconds(whole["seen_from"]) == [one["places"][0][0] for one in said], "and where they are seen"


def told_starts(dash, stretch, whole):
    curve = dash.expect("GET", "/api/v1/cycling" + query(**stretch, points=4000), 200)["cycling"]["curve"]
    assert microseconds(whole["time"]) == curve["at_us"] and curve["at_us"], "the starts in the hour before"
    assert whole["starts_in_the_hour_before"].to_pylist() == curve["seen"]


def told_times(dash, stretch, whole):
    cycling = dash.expect("GET", "/api/v1/cycling" + query(**stretch), 200)["cycling"]
    counted = lambda of: sum(count for what, count in zip(whole["times"].to_pylist(), whole["count"].to_pylist()) if what == of)
    assert counted("on") == cycling["on_times"]["count"] > 0, "on-times by length"
    assert counted("off") == sum(times["count"] for name, times in cycling["off_times"].items() if name != "left_out")


def told_terms(dash, stretch, whole):
    terms = dash.expect("GET", "/api/v1/cycling" + query(**stretch), 200)["cycling"]["terms"]
    groups = [(term["kind"], of["whose"], of["broken"]) for term in terms for of in term["judged"]]
    rows = list(zip(*(whole[name].to_pylist() for name in ("term", "cycles", "broken", "pair_is"))))
    assert [row[:3] for row in rows if row[3] is None] == groups and groups, "each term, each group"
    assert sum(row[3] is not None for row in rows) == sum(broken for _, _, broken in groups), "and each pair that breaks it"


TOLD = {"sentences": told_sentences, "starts": told_starts, "times": told_times, "terms": told_terms}


def cell(value):
    """A value of a Parquet file as its cell in a CSV file can be read."""
    if isinstance(value, datetime.datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    if isinstance(value, bool):
        return str(value).lower()
    return "" if value is None else untyped(str(value))


def untyped(text):
    try:
        return float(text)
    except ValueError:
        return text


def bad_parameters(dash, unit):
    """Whatever the document says of a query has to be enforced: made from its own schemas."""
    asked = 0
    for path, item in dash.document["paths"].items():
        parameters = [dash.whole(p) for p in item.get("get", {}).get("parameters", ())]
        parameters = [p for p in parameters if p["in"] == "query"]
        if not parameters:
            continue
        examples = {p["name"]: example(dash, p, unit) for p in parameters if p.get("required")}
        if dash.ask("GET", path + query(**examples))[0] in (403, 404):
            continue  # Not of this recorder: nothing is set up by its page, or tested on a bench.
        for parameter in parameters:
            name = parameter["name"]
            if parameter.get("required"):
                left = {key: value for key, value in examples.items() if key != name}
                dash.refuses(400, name, "GET", path + query(**left))
                asked += 1
            for value in beyond(dash.whole(parameter["schema"])):
                dash.refuses(400, name, "GET", path + query(**{**examples, name: value}))
                asked += 1
            given = {**examples, name: example(dash, parameter, unit)}
            twice = query(**given) + "&" + urllib.parse.urlencode({name: given[name]})
            dash.refuses(400, name, "GET", path + twice)
        dash.refuses(400, "colour", "GET", path + query(**examples, colour="red"))
        dash.refuses(400, "bytes", "GET", path + query(**examples, colour="r" * 600))
        if "unit" in examples:
            dash.refuses(404, "unit", "GET", path + query(**{**examples, "unit": "cooler"}))
    return asked


def example(dash, parameter, unit):
    schema = dash.whole(parameter["schema"])
    if parameter["name"] == "unit":
        return unit
    if "example" in parameter:
        return parameter["example"]
    return schema["enum"][0] if "enum" in schema else schema.get("minimum", 1)


def beyond(schema):
    """Values that a schema does not allow."""
    if "enum" in schema:
        return ["", schema["enum"][0].upper(), schema["enum"][0] + " ", "x"]
    if schema["type"] == "integer":
        values = ["", "x", "1.5", "1e3", "NaN", "0x10", str(WHOLE_NUMBER_MAX + 1), "\x00"]
        values += [schema["minimum"] - 1] if "minimum" in schema else []
        return values + ([schema["maximum"] + 1] if "maximum" in schema else [])
    values = [""] if schema.get("minLength") else []
    return values + (["x" * (schema["maxLength"] + 1)] if "maxLength" in schema else [])


def bad_bodies(dash, unit):
    """Every body: its keys missing, of another type, unknown, too long; no JSON; too much."""
    asked = 0
    sound = {"unit": unit, "text": "door open", "what": "ptc", "value": "24.1 Ohm", "token": "guess", "by": "J. Doe"}
    sound |= {"port": "nowhere", "board": "7f3a91c2", "channel": 0, "caution": "none", "act": "none", "on": True}
    for path, item in dash.document["paths"].items():
        body = item.get("post", {}).get("requestBody")
        if body is None:
            continue
        schema = dash.whole(body["content"]["application/json"]["schema"])
        whole = {key: sound[key] for key in schema.get("required", ())}
        if not whole or dash.ask("POST", path, json.dumps(whole), JSON)[0] in (403, 404):
            continue  # Not of this recorder, or: nobody can log in where there is no token.
        for key in schema["required"]:
            left = {name: value for name, value in whole.items() if name != key}
            dash.refuses(422, key, "POST", path, json.dumps(left), JSON)
        for key, of in schema["properties"].items():
            dash.refuses(422, key, "POST", path, json.dumps({**whole, key: 5}), JSON)
            asked += 1
            if "maxLength" in of:
                dash.refuses(422, key, "POST", path, json.dumps({**whole, key: "x" * (of["maxLength"] + 1)}), JSON)
            if "enum" in of or of.get("minLength"):
                dash.refuses(422, key, "POST", path, json.dumps({**whole, key: ""}), JSON)
        if "unit" in whole:
            dash.refuses(404, "unit", "POST", path, json.dumps({**whole, "unit": "cooler"}), JSON)
        dash.refuses(422, "colour", "POST", path, json.dumps({**whole, "colour": "red"}), JSON)
        dash.refuses(400, "body", "POST", path, "{", JSON)
        dash.refuses(415, "application/json", "POST", path, json.dumps(whole), {"Content-Type": "text/plain"})
        dash.refuses(413, "bytes", "POST", path, '"' + "x" * 70_000 + '"', JSON)
        dash.refuses(403, "own page", "POST", path, json.dumps(whole), {**JSON, "Origin": "http://elsewhere.example"})
    return asked


JSON = {"Content-Type": "application/json"}


def every_route(dash):
    """What is the same at every address: another method, another host."""
    for path, item in dash.document["paths"].items():
        real = path.replace("{name}", "main.js")
        for method in ("PUT", "PATCH", "DELETE"):
            dash.refuses(405, "method", method, real, template=path)
        if "get" in item:
            host = {"Host": "rebound.example.org"}
            status, got, read = dash.ask("GET", real, headers=host)
            assert status == 421 and got["content-type"] == "application/problem+json", (path, status, read[:200])
    dash.refuses(404, "nothing", "GET", "/api/v1/nothing")
    dash.refuses(404, "part", "GET", "/assets/nothing.js", template="/assets/{name}")


def live(dash):
    """The first messages of the stream, and that it goes on where it was left."""
    def messages(headers, wanted):
        connection = http.client.HTTPConnection(dash.address, timeout=30)
        connection.request("GET", "/api/v1/live", headers=headers)
        answer = connection.getresponse()
        assert answer.status == 200 and answer.getheader("content-type").startswith("text/event-stream")
        seen, event = [], {}
        while len(seen) < wanted:
            name, _, value = answer.readline().decode().rstrip("\n").partition(": ")
            if name:
                event[name] = value
            elif "data" in event:
                seen.append((event["id"], json.loads(event["data"])))
                event = {}
        connection.close()
        return seen

    seen = messages({}, 4)
    schema = {"$ref": "#/components/schemas/LiveMessage"}
    for at, message in seen:
        dash.holds(schema, message, f"message {at}")
    again = messages({"Last-Event-ID": seen[1][0]}, 1)
    dash.holds(schema, again[0][1], "a message after coming back")
    came_back_from = seen[1][1]["tails"][0]["times_us"] or seen[0][1]["tails"][0]["times_us"]
    assert again[0][1]["tails"][0]["times_us"], "nothing came after coming back"
    assert not came_back_from or again[0][1]["tails"][0]["times_us"][0] > came_back_from[-1]


def metrics(dash, now):
    """The metrics, read by another program's parser."""
    status, got, read = dash.ask("GET", "/metrics")
    assert status == 200
    assert got["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8", got["content-type"]
    families = {family.name: family for family in text_string_to_metric_families(read.decode())}
    value = lambda name, **labels: next(
        sample.value for sample in families[name].samples if labels.items() <= sample.labels.items()
    )
    for family in families.values():
        assert family.name.startswith("nightclamp_") and family.documentation, family.name
        assert not family.unit or family.name.endswith("_" + family.unit), family.name
    for unit in now["units"]:
        name = unit["name"]
        assert value("nightclamp_starts", unit=name) >= unit["starts"] > 0
        assert value("nightclamp_trips", unit=name) >= unit["trips"] > 0
        states = [s.value for s in families["nightclamp_state"].samples if s.labels["unit"] == name]
        assert sum(states) == 1 and len(states) == 6
        assert 0 <= value("nightclamp_last_sample_age_seconds", unit=name) < 30
        assert value("nightclamp_current_amperes", unit=name) >= 0
    for board in now["boards"]:
        assert value("nightclamp_samples", board=board["id"]) >= board["samples"] > 0
        assert value("nightclamp_refused_lines", board=board["id"]) >= board["refused"]
        assert 0 <= value("nightclamp_capture_lag_seconds", board=board["id"]) < 30
    assert value("nightclamp_disk_free_bytes") > 0
    assert value("nightclamp_stuck") == 0 and value("nightclamp_caught_up_ratio") == 1
    return len(families)


def door(dash, token):
    """Without the token nothing but what the document calls open; with it, or its session, everything; a guesser has to wait."""
    shut = 0
    for path, item in dash.document["paths"].items():
        real = path.replace("{name}", "main.js")
        for method, operation in item.items():
            status = dash.ask(method.upper(), real, "{}", JSON)[0]
            is_open = operation.get("security") == [{}]
            assert (status not in (401, 303)) == is_open or path == "/login", f"{method} {path}: {status}"
            if status == 401:
                dash.refuses(401, "token", method.upper(), real, "{}", JSON, template=path)
                shut += 1
    bearer = {"Authorization": f"Bearer {token}"}
    dash.expect("GET", "/api/v1/now", 200, headers=bearer)
    status, got, _ = dash.ask("POST", "/login", json.dumps({"token": token}), JSON)
    cookie, *marks = got["set-cookie"].split("; ")
    assert status == 204 and {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(marks), got
    session = {"Cookie": cookie}
    dash.expect("GET", "/api/v1/now", 200, headers=session)
    dash.expect("GET", "/api/v1/table" + query(unit="freezer", table="cycles", format="csv"), headers=session)
    tries = 0
    while dash.ask("POST", "/login", json.dumps({"token": token[::-1]}), JSON)[0] == 401:
        tries += 1
        assert tries < 50, "whoever guesses is never told to wait"
    status, got, read = dash.ask("POST", "/login", json.dumps({"token": token[::-1]}), JSON)
    said = dash.document["components"]["responses"]["TooMany"]
    assert status == 429, status
    dash.holds(said["headers"]["Retry-After"]["schema"], int(got["retry-after"]), "Retry-After")
    dash.holds(said["content"]["application/problem+json"]["schema"], json.loads(read), "the answer to a guesser")
    dash.expect("GET", "/api/v1/now", 200, headers=session)
    assert dash.ask("POST", "/logout", headers={**session, **JSON})[0] == 204
    dash.refuses(401, "token", "GET", "/api/v1/now", headers=session)
    return f"{shut} addresses shut without the token, {tries} wrong ones until a guesser has to wait"


def main():
    dash = Dashboard(sys.argv[1])
    token = sys.argv[2] if len(sys.argv) > 2 else None
    bearer = {"Authorization": f"Bearer {token}"} if token else {}
    status, _, read = dash.ask("GET", "/api/v1/openapi.json", headers=bearer)
    assert status == 200, read
    dash.document = json.loads(read)
    openapi_spec_validator.validate(dash.document)
    if token:
        print(door(dash, token))
        return
    now = dash.expect("GET", "/api/v1/now", 200)
    unit = now["units"][0]["name"]
    good(dash, unit, now)
    rows = downloads(dash, unit, now)
    asked = bad_parameters(dash, unit) + bad_bodies(dash, unit)
    every_route(dash)
    live(dash)
    families = metrics(dash, now)
    print(
        f"{len(dash.document['paths'])} addresses, {dash.answers} answers as they are written down, {asked} of them to values "
        f"that are not allowed; {rows} rows downloaded in both forms; {families} families of metrics read by another parser"
    )


if __name__ == "__main__":
    main()
