"use strict";
// The live view: news come as server-sent events, one status a second. What is shown when they stop is told to be old.
const el = (id) => document.getElementById(id);
const lull = { status: null, token: null, live: true, marks: false, heard: 0, shownStatus: [] };

const two = (n) => String(n).padStart(2, "0");
function span(s) {
	if (s === null || s === undefined || !isFinite(s)) return "\u2013";
	const sign = s < 0 ? "-" : "", whole = Math.round(Math.abs(s));
	return `${sign}${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}
function ago(s) {
	if (s < 90) return `${Math.round(s)} s`;
	if (s < 5400) return `${Math.round(s / 60)} min`;
	return `${Math.floor(s / 3600)} h ${Math.round(s / 60) % 60} min`;
}
function amps(mA) {
	if (mA === null || mA === undefined) return "\u2013";
	const size = Math.abs(mA);
	return size < 99.95 ? `${mA.toFixed(1)} mA` : size < 9999.5 ? `${mA.toFixed(0)} mA` : `${(mA / 1000).toFixed(2)} A`;
}
// Clock time of an instant of the recording, in the viewer's zone; "" where no clock is known.
function clock(s, status) {
	if (!status.start_utc || s === null) return "";
	return new Date(Date.parse(status.start_utc) + s * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
}
// Characters that act instead of showing, such as marks of writing direction, are shown by their number, as in the report.
function harmless(value) {
	return value.replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu, (c) => `\\u${c.codePointAt(0).toString(16).padStart(4, "0")}`);
}
function text(node, value) {
	if (typeof value === "string") value = harmless(value);
	if (node.textContent !== value) node.textContent = value;
}
function cells(row, values) {
	values.forEach((value, i) => {
		if (!row.cells[i]) row.insertCell();
		text(row.cells[i], value);
	});
}
// Rows are kept and refilled, so that nothing flickers and what is marked stays marked.
function fill(table, rows) {
	const body = table.tBodies[0];
	while (body.rows.length > rows.length) body.deleteRow(-1);
	rows.forEach((row, i) => {
		const line = body.rows[i] || body.insertRow();
		line.className = row.kind || "";
		cells(line, row.cells);
	});
}

function showBuses(status) {
	const box = el("buses");
	while (box.children.length > status.buses.length) box.lastChild.remove();
	status.buses.forEach((bus, i) => {
		let div = box.children[i];
		if (!div) {
			div = document.createElement("div");
			div.append(document.createElement("span"), document.createElement("strong"), document.createElement("span"));
			box.append(div);
		}
		div.className = `bus ${bus.state === "quiet" && !bus.proven ? "blind" : bus.state}`;
		text(div.children[0], bus.name);
		text(div.children[1], bus.state === "quiet" && !bus.proven ? "silent" : bus.state);
		const at = clock(bus.since_s, status);
		const since = bus.since_s === null ? "" : `for ${ago(status.now_s - bus.since_s)}${at ? `, since ${at}` : ""}`;
		text(div.children[2], [since, bus.why].filter(Boolean).join(": "));
	});
}

// Silence that nothing proves is no quiet: a bus never heard alive says nothing of the car.
function isAsleep(status) {
	return status.buses.length > 0 && status.buses.every((b) => b.state === "quiet" && b.proven);
}

function hands(status) {
	const states = status.buses.map((b) => b.state);
	if (isAsleep(status)) {
		const since = Math.max(...status.buses.map((b) => b.since_s));
		const at = clock(since, status);
		return `Asleep since ${at || span(since)}`;
	}
	if (!status.live) return "A finished recording";
	if (status.buses.some((b) => b.state === "quiet" && !b.proven)) return "Silent, but nothing proves that it would be heard";
	if (states.includes("blind")) return "Not every bus can be heard";
	if (status.key_off_s !== null) return "Hands off: the car is going to sleep";
	return "Listening; the key is on, or its end was not seen";
}

function showSenders(status) {
	const rows = [];
	for (const bus of status.buses) {
		for (const id of bus.sending) rows.push({ last: Infinity, kind: "sends", cells: [id.id, id.node || "", "still sending"] });
		for (const id of bus.stopped) {
			const gone = status.now_s - id.last_s;
			rows.push({ last: id.last_s, kind: "", cells: [id.id, id.node || "", `stopped ${ago(gone)} ago`] });
		}
	}
	rows.sort((a, b) => (a.last === b.last ? 0 : b.last - a.last));
	const sending = rows.filter((row) => row.kind).length, first = Math.max(sending, Math.min(rows.length, sending + 5));
	fill(el("senders"), rows.slice(0, first));
	fill(el("stopped"), rows.slice(first));
	el("earlier").hidden = rows.length <= first;
	text(el("earlier").querySelector("summary"), `${rows.length - first} more stopped earlier`);
}

function showFirst(status) {
	const off = status.key_off_s;
	const rows = [];
	text(el("first-since"), off === null ? "no key-off yet" : span(status.now_s - off));
	text(el("first-current"), amps(status.current && status.current.now_mA));
	for (const bus of status.buses) {
		for (const id of bus.stopped) {
			if (off !== null && id.last_s >= off) rows.push([id.last_s, [id.id, id.node || "", span(id.last_s - off)]]);
		}
	}
	rows.sort((a, b) => b[0] - a[0]);
	fill(el("silent"), rows.map(([, cells]) => ({ cells })));
	const missing = [];
	if (off === null) missing.push("key-off: set the mark, or switch the key off");
	if (!status.current || status.current.now_mA === null) missing.push("a current: without it there is no all-clear");
	for (const bus of status.buses) {
		if (bus.state === "blind") missing.push(`${bus.name} is not heard: ${bus.why}`);
		else if (!bus.frames) missing.push(`${bus.name} has not been heard alive: its silence will prove nothing`);
		for (const id of bus.sending) if (off !== null) missing.push(`${id.id}${id.node ? ` ${id.node}` : ""} still sends on ${bus.name}`);
	}
	if (!missing.length) missing.push("nothing: leave it alone now");
	const list = el("missing");
	if (list.dataset.text !== missing.join("\n")) {
		list.dataset.text = missing.join("\n");
		list.replaceChildren(...missing.slice(0, 20).map((line) => Object.assign(document.createElement("li"), { textContent: harmless(line) })));
	}
}

function show(status) {
	const from = status.settle_from_s === null ? status.key_off_s : status.settle_from_s;
	lull.status = status;
	lull.heard = Date.now();
	text(el("hands"), hands(status));
	showBuses(status);
	text(el("since-word"), status.key_off_s === null ? "Recorded" : "Since key-off");
	text(el("since"), span(status.now_s - (status.key_off_s === null ? 0 : status.key_off_s)));
	const left = from === null ? null : status.limits.sleep_s - (status.now_s - from);
	const asleep = isAsleep(status);
	text(el("until"), asleep ? "asleep" : left === null ? "\u2013" : left > 0 ? span(left) : `over by ${span(-left)}`);
	el("way").value = left === null ? 0 : Math.min(Math.max(1 - left / status.limits.sleep_s, 0), 1);
	const c = status.current;
	text(el("current"), !c ? "not measured" : c.lost ? "clamp lost" : amps(c.now_mA));
	text(el("finding"), status.finding ? [status.finding.headline, status.finding.who].filter(Boolean).join(" ") : "none yet");
	showSenders(status);
	showFirst(status);
	lullPull.show(status);
	text(el("foot"), `${status.name || ""} \u00b7 ${status.live ? "live" : "finished"} \u00b7 times in the zone of this phone`);
	online();
}

function online() {
	const silent = (Date.now() - lull.heard) / 1000;
	const line = el("line");
	const old = lull.live && silent > 5;
	line.classList.toggle("old", old);
	text(line, !lull.heard ? "connecting" : old ? `no news for ${ago(silent)}: what is shown is old` : lull.live ? "live" : "a finished recording");
}

async function setMark(mark, agoS) {
	const answer = await fetch("/mark", { method: "POST", body: mark, headers: { "X-Lull-Token": lull.token, "X-Lull-Ago": String(agoS || 0), "Content-Type": "text/plain" } });
	const said = await answer.text();
	if (!answer.ok) throw new Error(said.trim());
}
window.setMark = setMark;

async function morning() {
	const button = el("morning");
	button.disabled = true;
	try {
		await setMark("morning", 0);
		text(button, "Noted: the night ends here");
	} catch (e) {
		button.disabled = false;
		text(el("line"), `the mark was not set: ${e.message}`);
	}
}

async function otherMark(event) {
	event.preventDefault();
	const field = el("mark-text");
	if (!field.value.trim()) return;
	try {
		await setMark(field.value.trim(), 0);
		field.value = "";
		text(el("line"), "mark set");
	} catch (e) {
		text(el("line"), `the mark was not set: ${e.message}`);
	}
}

// The whole night's current; the chart library may be missing, the figures are there all the same.
async function chart() {
	const answer = await fetch("/trace");
	if (!answer.ok) {
		text(el("chart-text"), "no current so far");
		return;
	}
	const t = await answer.json();
	const points = t.mean.map((mean, i) => [new Date((t.start_ms === null ? 0 : t.start_ms) + (t.from_s + i * t.step_s) * 1000), mean === null ? null : [t.least[i], mean, t.most[i]]]);
	const known = t.mean.filter((x) => x !== null);
	if (!known.length) {
		text(el("chart-text"), "no current so far");
		return;
	}
	text(el("chart-text"), `Between ${amps(Math.min(...t.least.filter((x) => x !== null)))} and ${amps(Math.max(...t.most.filter((x) => x !== null)))}; the band is least to most of each step.`);
	if (typeof Dygraph === "undefined") return;
	const log = el("chart");
	const data = points.map(([x, y]) => [x, y === null ? [null, null, null] : y.map((v) => Math.max(v, 1))]);
	// its legend would need inline style, which the page's policy refuses, and none is shown
	if (Dygraph.Plugins) Dygraph.PLUGINS = Dygraph.PLUGINS.filter((plugin) => plugin !== Dygraph.Plugins.Legend);
	if (lull.chart) lull.chart.updateOptions({ file: data });
	else
		lull.chart = new Dygraph(log, data, { labels: ["time", "mA"], customBars: true, logscale: true, legend: "never", colors: [getComputedStyle(document.documentElement).getPropertyValue("--strong").trim()], axes: { y: { axisLabelWidth: 60 } }, ylabel: "" });
}

function view() {
	const name = ["now", "first", "pull"].includes(location.hash.slice(1)) ? location.hash.slice(1) : "now";
	for (const id of ["now", "first", "pull"]) {
		el(id).hidden = id !== name;
		if (id === name) el(`to-${id}`).setAttribute("aria-current", "page");
		else el(`to-${id}`).removeAttribute("aria-current");
	}
	if (name === "now" && lull.chart) lull.chart.resize();
}

// EventSource comes back by itself after the network does, but not after an answer that is no stream.
function news() {
	const source = new EventSource("/live");
	source.addEventListener("status", (event) => show(JSON.parse(event.data)));
	source.addEventListener("gone", () => {
		lull.heard = Math.min(lull.heard, Date.now() - 6000);
		online();
	});
	source.addEventListener("error", () => {
		if (source.readyState === EventSource.CLOSED) setTimeout(news, 3000);
	});
}

async function begin() {
	const answer = await fetch("/session");
	if (!answer.ok) {
		text(el("line"), "this browser has no leave to look: ask for a new link");
		setTimeout(begin, 10000);
		return;
	}
	Object.assign(lull, await answer.json());
	for (const button of document.querySelectorAll("#morning, #mark-form button, #out, #back")) button.disabled = !lull.marks;
	news();
	chart();
	setInterval(chart, 60000);
}

addEventListener("hashchange", view);
el("morning").addEventListener("click", morning);
el("mark-form").addEventListener("submit", otherMark);
setInterval(online, 1000);
view();
lullPull.begin();
begin().catch(() => setTimeout(() => location.reload(), 5000));
