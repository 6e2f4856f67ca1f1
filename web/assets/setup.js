// The set-up page: what is typed here becomes the job file. Everything is judged by the recorder, with the same code that
// reads the file; this page only puts its words beside the fields.

import { ask, tell } from "./api.js";
import { byId, el, setText } from "./dom.js";
import { BOARD_FIELDS, JOB_FIELDS, LIMIT_FIELDS, PLATE_FIELDS, PROTECTOR_FIELDS, ROLES, SENSOR_FIELDS } from "./setup-fields.js";
import { BENCH_KINDS, BENCH_ROLES, PLAN_FIELDS, PLAN_GROUPS } from "./setup-plan.js";

const LISTEN_EVERY_MS = 1000;
const PORTS_EVERY_MS = 4000;
const CHECK_AFTER_MS = 500;
/** How long a recorder may take to begin anew. */
const BEGIN_MOST_MS = 30000;
/** The answer's status when the job file is another by now. */
const CHANGED = 412;
const ZERO_WORDS = "Take the clamp’s zero";
/** An empty clamp reads less. */
const EMPTY_MOST_A = 0.2;
/** How long the question stands whether a reading is to be taken as zero all the same. */
const SURE_MS = 8000;

class SetUp {
  constructor(present) {
    this.present = present;
    this.degrees = present.degrees;
    this.job = entryOf({ fields: present.form.job });
    this.boards = present.form.boards.map(entryOf);
    this.units = present.form.units.map(entryOf);
    if (!this.job.fields.timezone) put(this.job, "timezone", Intl.DateTimeFormat().resolvedOptions().timeZone ?? "");
    this.bench = present.is_bench ? entryOf({ fields: present.form.bench ?? {} }) : null;
    if (this.units.length === 0) this.units.push(fresh({ name: this.bench ? "protector" : "compressor" }));
    // What somebody has been at: only there is anything amiss pointed out, until all is to be saved.
    this.touched = new Set();
    this.hasTried = present.based_on !== null;
    this.ports = [];
    this.heard = new Map();
    this.listened = new Set();
    this.problems = present.problems;
    setText(byId("path"), present.path);
    const here = this.bench ? "Plan of a bench test" : "Set up";
    document.title = `${here} · Nightclamp`;
    setText(document.querySelector("h1"), here);
    setText(byId("where"), present.is_recording ? `${here} · recording goes on` : here);
    byId("back").hidden = !present.is_recording;
    if (this.bench) {
      byId("back").href = "/bench";
      setText(byId("back"), "Back to the test");
      setText(byId("file"), "plan");
    }
    this.draw();
    this.loadPorts();
    setInterval(() => !document.hidden && this.loadPorts(), PORTS_EVERY_MS);
    setInterval(() => !document.hidden && this.listen(), LISTEN_EVERY_MS);
  }

  // What is drawn.

  draw() {
    this.zones = el("datalist", { id: "zones" }, this.present.timezones.map((zone) => el("option", { value: zone })));
    this.portList = el("ul", { class: "ports" });
    this.unitBox = el("div", { class: "setup-units" });
    this.planBox = el("div", { class: "setup-units" });
    this.findings = el("ul", { class: "findings", "aria-live": "polite" });
    this.text = el("pre", { tabindex: "0", "aria-label": `The ${this.fileWord()} as it would be written` });
    byId("form").replaceChildren(
      this.zones,
      group("The board", "Plug it in. What speaks on each port is shown as it comes; opening a port resets many boards.", this.portList),
      this.jobGroup(),
      this.unitBox,
      this.bench ? this.planBox
        : el("div", { class: "row" }, el("button", { type: "button", onclick: () => this.addUnit() }, "Another compressor on these boards")),
      this.endGroup(),
    );
    byId("form").onsubmit = (event) => event.preventDefault();
    byId("form").oninput = () => this.checkSoon();
    this.drawUnits();
    this.drawPorts();
    if (this.present.based_on !== null) this.check();
  }

  jobGroup() {
    const fields = JOB_FIELDS.map((field) => this.field(field, this.job, "job", 0));
    return group("The job", "Times are shown in the place’s own zone. A customer’s name does not belong here.", el("div", { class: "fields" }, fields));
  }

  drawUnits() {
    const focused = document.activeElement;
    const { id, selectionStart: from, selectionEnd: to } = focused;
    this.unitBox.replaceChildren(...this.units.map((unit, index) => this.unitGroup(unit, index)));
    if (this.bench) this.planBox.replaceChildren(this.planGroup());
    // Whoever is typing goes on where he was.
    if (!focused.isConnected && id) {
      byId(id)?.focus();
      if (typeof from === "number") byId(id)?.setSelectionRange(from, to);
    }
    this.showLive();
    this.showProblems();
  }

  unitGroup(unit, index) {
    const fields = (list) => el("div", { class: "fields" }, list.map((field) => this.field(field, unit, "unit", index)));
    if (this.bench) return this.testedGroup(unit, index, fields);
    const of = unit.fields.name || `compressor ${index + 1}`;
    const remove = this.units.length > 1
      ? el("button", { type: "button", onclick: () => this.removeUnit(index) }, `Leave ${of} out`) : null;
    return group(of, "One single-phase compressor. What you leave empty is learned from the record where it can be, and otherwise not judged.",
      el("div", { class: "fields" }, this.field(PLATE_FIELDS[0], unit, "unit", index), this.boardField(unit, index)),
      inner("What is where", "Which channel of the board is what. The reading beside each shows whether it is.", el("div", { class: "fields" }, ROLES.map((role) => this.roleField(role, unit, index)))),
      inner("Nameplate and clamp", null, fields(PLATE_FIELDS.slice(1))),
      inner("Protector", "From its data sheet. Without these the trade’s usual values serve where a judgement needs one.", this.degreesChoice(), fields(PROTECTOR_FIELDS)),
      inner("Terms", "The maker’s or the claim’s, each with where it stands. Without one the figure is reported and not judged.", fields(LIMIT_FIELDS)),
      inner("Limits of error", "From data sheets or a calibration, for the report. Nothing is judged by them.", fields(SENSOR_FIELDS)),
      el("div", { class: "row" }, remove));
  }

  /** What is tested, for a plan: of a compressor only what matters on the bench. */
  testedGroup(unit, index, fields) {
    const roles = ROLES.filter(({ key }) => BENCH_ROLES.includes(key));
    const [kind, ...others] = PROTECTOR_FIELDS;
    const protector = [{ ...kind, options: BENCH_KINDS }, ...others.map((field) => (field.key.includes("longest_trip") ? { ...field, words: "Longest time to open" } : field))];
    const remove = this.units.length > 1
      ? el("button", { type: "button", onclick: () => this.removeUnit(index) }, `Leave ${unit.fields.name || "this one"} out`) : null;
    return group("The protector", "One protector. A limit that is left empty is not judged.",
      el("div", { class: "fields" }, this.field({ ...PLATE_FIELDS[0], words: "Its name", hint: "a-z, 0-9 and -, such as protector" }, unit, "unit", index), this.boardField(unit, index)),
      inner("What is where", "Which channel of the board is what. The reading beside each shows whether it is.", el("div", { class: "fields" }, roles.map((role) => this.roleField(role, unit, index)))),
      inner("Data sheet", "Opening and closing temperatures are judged with their tolerances only.", this.degreesChoice(), fields(protector)),
      inner("Rated load and clamp", null, fields(PLATE_FIELDS.slice(1).filter(({ key }) => key !== "clamp_on"))),
      el("div", { class: "row" }, remove));
  }

  planGroup() {
    const shown = ({ words, hint, fields }) => inner(words, hint, el("div", { class: "fields" }, fields.map((field) => this.field(field, this.bench, "bench", 0))));
    return group("What is done, and judged", "Empty means: not judged, not asked for, not assumed.", ...PLAN_GROUPS.map(shown));
  }

  fileWord() {
    return this.bench ? "plan" : "job file";
  }

  degreesChoice() {
    const choice = (name, words) => el("button", { type: "button", "aria-pressed": String(this.degrees === name), onclick: () => this.changeDegrees(name) }, words);
    return el("div", { class: "row", role: "group", "aria-label": "Temperatures typed in" }, choice("celsius", "Typed in °C"), choice("fahrenheit", "Typed in °F"));
  }

  field({ key, words, unit, kind, options, hint }, entry, table, index) {
    const id = `${table}-${index}-${key}`;
    const values = entry.fields;
    const set = (event) => {
      put(entry, key, event.target.value);
      this.touched.add(id);
    };
    const common = { id, "data-table": table, "data-index": index, "data-key": key, "aria-describedby": hint ? `${id}-wrong ${id}-hint` : `${id}-wrong`, oninput: set };
    const input = options
      ? el("select", common, options.map(([value, text, full]) => {
        const is = full !== undefined && values[key] === full ? full : value;
        return el("option", { value: is, selected: (values[key] ?? "") === is }, text);
      }))
      : el("input", { ...common, type: "text", autocomplete: "off", inputmode: kind === "number" ? "decimal" : null, list: kind === "zone" ? "zones" : null, maxlength: 200, value: values[key] ?? "" });
    const shown = unit === "temperature" ? (this.degrees === "celsius" ? "°C" : "°F") : unit === "difference" ? (this.degrees === "celsius" ? "± K" : "± °F") : unit;
    return fieldBox(id, words, hint, el("div", { class: "field-in" }, input, shown ? el("span", { class: "field-unit" }, shown) : null));
  }

  boardField(unit, index) {
    const ids = this.boards.map((board) => board.fields.id).filter(Boolean);
    if (!unit.fields.board && ids.length === 1) put(unit, "board", ids[0]);
    const field = { key: "board", words: "Measured by board", options: [["", "choose a board above"], ...ids.map((id) => [id, id])] };
    const box = this.field(field, unit, "unit", index);
    // Another board has other places.
    box.querySelector("select").addEventListener("change", () => this.drawUnits());
    return box;
  }

  /** A role's place: one of the channels that were heard, of the quantity that fits. */
  roleField(role, unit, index) {
    const key = `channels.${role.key}`;
    const channels = this.channelsOf(unit.fields.board).filter(({ quantity }) => role.quantities.includes(quantity));
    const places = channels.map(({ place }) => place);
    const now = unit.fields[key] ?? "";
    if (now !== "" && !places.includes(now)) places.unshift(now);
    const options = [["", role.needed ? "choose its channel" : "not wired"], ...places.map((place) => [place, place])];
    const box = this.field({ key, words: role.words, hint: role.hint, options }, unit, "unit", index);
    box.append(el("p", { class: "live", "data-unit": index, "data-role": key }));
    box.querySelector("select").addEventListener("change", () => this.showLive());
    if (role.key === "current" && this.present.is_recording) {
      box.append(el("button", { type: "button", onclick: (event) => this.zero(event.target, unit) }, ZERO_WORDS),
        el("span", { class: "hint" }, "With nothing in the clamp, or the compressor isolated: what it reads then is taken as nothing."));
    }
    return box;
  }

  drawPorts() {
    const shown = [...this.ports];
    for (const board of this.boards) {
      const port = board.fields.port;
      if (port && !shown.some((other) => other.port === port || other.device === port)) {
        shown.unshift({ port, device: port, what: "in the job file", trouble: null });
      }
    }
    const key = JSON.stringify([shown, this.boards.map(({ fields }) => fields), [...this.listened]]);
    if (key === this.portsKey) return this.showHeard();
    this.portsKey = key;
    this.portList.replaceChildren(...(shown.length === 0
      ? [el("li", { class: "none" }, "No serial port is here yet. Plug the board in: it shows up by itself.")]
      : shown.map((port) => this.portItem(port))));
    this.showHeard();
  }

  portItem(port) {
    const isListened = this.listened.has(port.port);
    const act = isListened ? null
      : el("button", { type: "button", disabled: port.trouble !== null, onclick: () => this.beginListening(port.port) }, "Listen to it");
    return el("li", { class: "port" },
      el("div", { class: "port-head" }, el("span", {}, el("strong", {}, port.what), " ", el("code", {}, port.port)), act),
      port.trouble ? el("p", {}, port.trouble) : null,
      el("div", { "data-heard": port.port, "aria-live": "polite" }));
  }

  /** What each port says, drawn anew only where it differs. */
  showHeard() {
    for (const box of this.portList.querySelectorAll("[data-heard]")) {
      const port = box.dataset.heard;
      const heard = this.heard.get(port);
      if (!heard) continue;
      if (heard.board === null) {
        box.replaceChildren(el("p", { class: "hint" }, heard.trouble ?? silence(heard)));
        continue;
      }
      const { board } = heard;
      const rows = board.channels.map((channel) => el("tr", {}, el("td", {}, channel.place), el("td", {}, channel.quantity), el("td", {}, channel.sensor), el("td", {}, this.shown(channel))));
      const isUsed = this.boards.some(({ fields }) => fields.id === board.id && fields.port === port);
      const use = isUsed ? el("p", { class: "hint" }, "This board is used.")
        : el("button", { type: "button", onclick: () => this.useBoard(board.id, port) }, `Use board ${board.id}`);
      const head = `Board ${board.id}, firmware ${board.firmware}, a sample every ${board.period_ms} ms`;
      if (box.dataset.head !== head + isUsed) {
        box.dataset.head = head + isUsed;
        box.replaceChildren(el("p", {}, head), el("table", { class: "heard" },
          el("thead", {}, el("tr", {}, ["Place", "Quantity", "Sensor", "Now"].map((word) => el("th", { scope: "col" }, word)))), el("tbody", {})), use);
      }
      box.querySelector("tbody").replaceChildren(...rows);
    }
    this.showLive();
  }

  shown({ value, unit, fault }) {
    if (fault) return fault;
    if (value === null) return "no value yet";
    if (unit === "Cel") return this.degrees === "celsius" ? `${value.toFixed(1)} °C` : `${(value * 1.8 + 32).toFixed(1)} °F`;
    if (unit === "1") return value > 0.5 ? "closed" : "open";
    return `${value.toFixed(unit === "A" ? 3 : 1)} ${unit}`;
  }

  showLive() {
    for (const node of this.unitBox.querySelectorAll(".live")) {
      const unit = this.units[Number(node.dataset.unit)];
      const place = unit?.fields[node.dataset.role];
      const channel = this.channelsOf(unit?.fields.board).find((other) => other.place === place);
      setText(node, channel ? `now ${this.shown(channel)}` : "");
    }
  }

  channelsOf(id) {
    const boards = [...this.heard.values()].map(({ board }) => board).filter((board) => board !== null);
    return boards.find((board) => board.id === id)?.channels ?? [];
  }

  endGroup() {
    this.look = el("button", { type: "button", onclick: () => this.lookOver() }, "Look the site over (some seconds)");
    const begin = this.bench ? "Save and begin the test" : "Save and begin to record";
    const goOn = this.bench ? "Save and test by it" : "Save and record by it";
    this.saveButton = el("button", { type: "button", class: "main", onclick: () => this.save() }, this.present.is_recording ? goOn : begin);
    const pause = this.present.is_recording && this.bench ? "A plan may be changed as long as nothing has been measured by it: limits are not chosen after the figures. The plan before is kept in the record."
      : this.present.is_recording
      ? "Saving closes and opens the ports: recording pauses for about two seconds, a board that resets when its port is opened begins a new boot and forgets its zeros. The job file before is kept in the record." : null;
    const [words, hint] = this.bench ? ["Before you begin", "With your switch off: what the sensors should say at rest, the clock, the disk. After this come the cautions."]
      : ["Before you leave", "With the compressor off, and for a while: what the sensors should say beside an idle compressor, the clock, the disk."];
    return group(words, hint,
      el("div", { class: "row" }, this.look), this.findings,
      el("details", {}, el("summary", {}, `The ${this.fileWord()} as it would be written`), this.text),
      pause ? el("p", { class: "hint" }, pause) : null,
      el("div", { class: "row" }, this.saveButton));
  }

  // What is done.

  beginListening(port) {
    this.listened.add(port);
    this.drawPorts();
    this.listen();
  }

  useBoard(id, port) {
    const same = this.boards.find(({ fields }) => fields.id === id || fields.port === port);
    if (same) {
      put(same, "id", id);
      put(same, "port", port);
    }
    else this.boards.push(fresh({ id, port }));
    this.portsKey = null;
    this.drawPorts();
    this.drawUnits();
    this.checkSoon();
  }

  addUnit() {
    const names = this.units.map(({ fields }) => fields.name);
    const name = ["second", "third", "fourth", "next"].find((word) => !names.includes(word)) ?? "";
    this.units.push(fresh({ name }));
    this.drawUnits();
    this.checkSoon();
  }

  removeUnit(index) {
    this.units.splice(index, 1);
    this.drawUnits();
    this.checkSoon();
  }

  async changeDegrees(degrees) {
    if (degrees === this.degrees) return;
    const [key, other] = degrees === "fahrenheit" ? [(c) => c * 1.8 + 32, (k) => k * 1.8] : [(f) => (f - 32) / 1.8, (f) => f / 1.8];
    // A plan and a compressor have keys in common.
    const ofUnits = this.units.map(({ fields }) => [fields, [...PROTECTOR_FIELDS, ...SENSOR_FIELDS]]);
    const ofPlan = this.bench ? [[this.bench.fields, PLAN_FIELDS]] : [];
    for (const [fields, known] of [...ofUnits, ...ofPlan]) {
      for (const { key: name, unit } of known) {
        const typed = Number((fields[name] ?? "").replace(",", "."));
        if (!fields[name] || !Number.isFinite(typed)) continue;
        if (unit === "temperature") fields[name] = String(Math.round(key(typed) * 10) / 10);
        if (unit === "difference") fields[name] = String(Math.round(other(typed) * 10) / 10);
      }
    }
    this.degrees = degrees;
    this.drawUnits();
    this.showHeard();
    this.checkSoon();
  }

  async zero(button, unit) {
    const board = unit.fields.board;
    const channels = this.channelsOf(board);
    const channel = channels.findIndex(({ place }) => place === unit.fields["channels.current"]);
    if (channel < 0) return this.say("bad", "Choose the current’s channel first, and wait until its reading is shown.");
    if (channels[channel].value > EMPTY_MOST_A && !button.dataset.sure) {
      button.dataset.sure = "asked";
      setText(button, `It reads ${this.shown(channels[channel])}, no empty clamp: take that as zero all the same`);
      setTimeout(() => this.drawUnits(), SURE_MS);
      return undefined;
    }
    button.disabled = true;
    try {
      await tell("/api/v1/setup/zero", { board, channel });
      this.say("good", "The board took its present reading as zero. It forgets it when it starts anew. That it was told is in the record.");
    } catch (error) {
      this.say("bad", error.message);
    }
    this.drawUnits();
    return undefined;
  }

  // What is asked.

  async loadPorts() {
    try {
      this.ports = (await ask("/api/v1/setup/ports")).ports;
      for (const { fields } of this.boards) if (fields.port) this.listened.add(fields.port);
      this.drawPorts();
    } catch (error) {
      console.info("ports:", error.message);
    }
  }

  async listen() {
    if (this.isBusy) return;
    for (const port of this.listened) {
      try {
        const before = this.heard.get(port)?.board;
        const heard = await tell("/api/v1/setup/listen", { port });
        // Listened to once more: until it has said who it is again, it is the board it was.
        if (heard.board === null && heard.trouble === null && before) heard.board = { ...before, channels: before.channels.map((channel) => ({ ...channel, value: null, fault: null })) };
        this.heard.set(port, heard);
        if (JSON.stringify(places(before)) !== JSON.stringify(places(heard.board))) this.drawUnits();
      } catch (error) {
        this.heard.set(port, { board: null, trouble: error.message, lines: 0, for_s: 0 });
      }
    }
    this.showHeard();
  }

  form() {
    const entries = (list, known) => list.map((entry) => ({ was: entry.was, fields: typed(entry, known) }));
    const unitKeys = [...PLATE_FIELDS, ...PROTECTOR_FIELDS, ...LIMIT_FIELDS, ...SENSOR_FIELDS].map(({ key }) => key)
      .concat("board", ROLES.map(({ key }) => `channels.${key}`));
    return {
      based_on: this.present.based_on,
      degrees: this.degrees,
      job: typed(this.job, JOB_FIELDS.map(({ key }) => key)),
      boards: entries(this.boards, BOARD_FIELDS),
      units: entries(this.units, unitKeys),
      bench: this.bench && typed(this.bench, PLAN_FIELDS.map(({ key }) => key)),
    };
  }

  checkSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.check(), CHECK_AFTER_MS);
  }

  async check() {
    try {
      const { text, problems } = await tell("/api/v1/setup/check", this.form());
      setText(this.text, text);
      this.problems = problems;
      this.showProblems();
      this.sayProblems();
    } catch (error) {
      this.refused(error);
    }
  }

  async lookOver() {
    this.busy(true, "Looking the site over; each board is listened to for some seconds.");
    try {
      const { findings } = await tell("/api/v1/setup/look-over", this.form());
      const toMend = findings.filter(({ grade }) => grade === "mend").length;
      this.findings.replaceChildren(...findings.map(({ grade, about, text }) =>
        el("li", { "data-grade": grade }, el("span", { class: "grade" }, grade === "mend" ? "mend" : grade), el("span", {}, el("strong", {}, `${about}: `), text))));
      this.say(toMend === 0 ? "good" : "bad", toMend === 0 ? "All well: it can be left." : `To be mended before you leave: ${toMend}. See the list below.`);
    } catch (error) {
      this.refused(error);
    }
    this.busy(false);
  }

  async save() {
    this.busy(true, `Writing the ${this.fileWord()}.`);
    clearTimeout(this.soon);
    this.hasTried = true;
    try {
      await tell("/api/v1/setup/save", this.form());
      this.say("good", "Written. The recorder begins.");
      await this.untilItRecords();
      location.assign(this.bench ? "/bench" : "/");
    } catch (error) {
      this.refused(error);
      this.busy(false);
    }
  }

  async untilItRecords() {
    const until = Date.now() + BEGIN_MOST_MS;
    while (Date.now() < until) {
      await new Promise((resolve) => setTimeout(resolve, 500));
      const now = await ask("/api/v1/now").catch(() => null);
      if (now !== null && now.run !== this.present.run) return;
    }
    throw new Error("It is written, but the recorder has not begun: look at its messages on the machine it runs on.");
  }

  refused(error) {
    if (error.problems?.length > 0) {
      this.problems = error.problems;
      this.hasTried = true;
      this.showProblems();
      this.sayProblems();
      document.querySelector("[aria-invalid=true]")?.focus();
    } else {
      this.say("bad", error.message);
      if (error.status === CHANGED) byId("message").append(" ", el("button", { type: "button", onclick: () => this.readAgain() }, "Read the file again"));
    }
  }

  /** The file as it is now, with what was typed here put over it. */
  async readAgain() {
    try {
      const present = await ask("/api/v1/setup", { degrees: this.degrees });
      const isSame = (list, now) => list.every(({ was }) => was === null || was < now.length);
      const { job, boards, units } = present.form;
      if (!isSame(this.boards, boards) || !isSame(this.units, units) || boards.length !== this.present.form.boards.length || units.length !== this.present.form.units.length) {
        this.say("bad", "The file has other boards or compressors now, and this page cannot put the two together. Note what you typed, then load the page anew.");
        return;
      }
      renewed(this.job, job);
      if (this.bench) renewed(this.bench, present.form.bench ?? {});
      for (const entry of this.boards) if (entry.was !== null) renewed(entry, boards[entry.was].fields);
      for (const entry of this.units) if (entry.was !== null) renewed(entry, units[entry.was].fields);
      this.present = { ...present, run: this.present.run };
      this.portsKey = null;
      this.draw();
    } catch (error) {
      this.say("bad", error.message);
    }
  }

  busy(isBusy, words) {
    this.isBusy = isBusy;
    this.look.disabled = isBusy;
    this.saveButton.disabled = isBusy;
    if (words) this.say("wait", words);
  }

  /** Each problem below its field. A field nobody has come to yet is not scolded for being empty. */
  showProblems() {
    for (const input of byId("form").querySelectorAll("[data-key]")) {
      const of = this.hasTried || this.touched.has(input.id) ? this.problems.filter((problem) => fieldOf(problem) === input.id) : [];
      input.setAttribute("aria-invalid", String(of.length > 0));
      setText(byId(`${input.id}-wrong`), of.map(({ what }) => what).join("; "));
    }
  }

  /** What has no field is said above, and how many fields are to be looked at. */
  sayProblems() {
    const other = this.problems.filter((problem) => byId(fieldOf(problem)) === null);
    const words = other.map(({ table, field, line, what }) => `${[table, field].filter(Boolean).join(".") || `line ${line}`}: ${what}`);
    const seen = byId("form").querySelectorAll("[aria-invalid=true]").length;
    const open = this.problems.length - other.length - seen;
    if (seen > 0) words.push(`Fields to look at: ${seen}.`);
    if (open > 0) words.push(`Still to be filled in: ${open}.`);
    if (this.problems.length === 0) this.say("good", "Nothing is wrong with what is typed.");
    else this.say(this.hasTried || seen > 0 ? "bad" : "wait", words.join(" · "));
  }

  say(level, words) {
    const message = byId("message");
    message.hidden = false;
    message.dataset.level = level;
    setText(message, words);
  }
}

const places = (board) => board?.channels.map(({ place }) => place) ?? [];

/** A part of the form: which one of the file it `was`, what its fields say, and which of them were changed here. */
const entryOf = ({ was, fields }) => ({ was: was ?? null, fields: { ...fields }, dirty: new Set() });

const fresh = (fields) => ({ was: null, fields: { ...fields }, dirty: new Set(Object.keys(fields)) });

function put(entry, key, value) {
  entry.fields[key] = value;
  entry.dirty.add(key);
}

/** The entry over another text of the file: what was typed stays. */
function renewed(entry, fields) {
  entry.fields = { ...fields, ...typed(entry, [...entry.dirty]) };
}

/** What was typed, no more: all else stays as the file has it, whoever changed it. */
function typed(entry, keys) {
  return Object.fromEntries(keys.filter((key) => entry.dirty.has(key)).map((key) => [key, entry.fields[key]]));
}

const fieldOf = ({ table, index, field }) => `${table}-${index}-${field}`;

function silence({ lines, for_s: seconds, refused }) {
  if (lines === 0) return seconds < 7 ? "Waiting for the board to say who it is …" : "Nothing comes: power, cable, or no board that speaks the board line protocol.";
  return refused > lines / 2 ? "Lines come that are not understood: another baud rate, or no board that speaks the board line protocol." : "Lines come; waiting for the board to say who it is …";
}

function fieldBox(id, words, hint, input) {
  return el("div", { class: "field" }, el("label", { for: id }, words), input, hint ? el("span", { class: "hint", id: `${id}-hint` }, hint) : null,
    el("span", { class: "field-wrong", id: `${id}-wrong` }));
}

function group(words, hint, ...children) {
  return el("fieldset", {}, el("legend", {}, words), hint ? el("p", { class: "hint" }, hint) : null, children);
}

const inner = group;

async function begin() {
  try {
    const [present, now] = await Promise.all([ask("/api/v1/setup"), ask("/api/v1/now")]);
    present.run = now.run;
    window.setUp = new SetUp(present);
  } catch (error) {
    byId("message").hidden = false;
    setText(byId("message"), error.message);
  }
}

begin();
