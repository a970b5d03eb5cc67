"use strict";
// At the fuse box: the current large, what a pulled fuse or plug changes, and how long to wait before that says something.
const lullPull = (() => {
	const SETTLE_FALL_S = 30; // of current after a touch before its change is told
	const TAKE_BACK_S = 5; // a mark is sent after that, with the time at which it was pressed
	const STRIP_S = 120;
	const el = (id) => document.getElementById(id);
	let base = null; // { mA, error, at_s }: the level before the last mark
	let waiting = null; // the mark that can still be taken back: { text, pressed, timer }
	let pulledAt = null, backAt = null, was = null, audio = null;

	const recent = (status) => (status.current && status.current.recent ? status.current.recent : []);

	// Median and its error over the last so many seconds: one spike moves neither.
	function level(points, from, to) {
		const values = points.filter(([t, mA]) => t >= from && t <= to && mA !== null).map(([, mA]) => mA).sort((a, b) => a - b);
		if (values.length < 3) return null;
		const mid = values[values.length >> 1];
		const apart = values.map((x) => Math.abs(x - mid)).sort((a, b) => a - b)[values.length >> 1];
		return { mA: mid, error: (1.96 * 1.4826 * 1.2533 * apart) / Math.sqrt(values.length) };
	}

	function strip(status) {
		const canvas = el("strip"), points = recent(status), g = canvas.getContext("2d");
		const width = canvas.clientWidth * devicePixelRatio, height = canvas.clientHeight * devicePixelRatio;
		if (!width || !points.length) return;
		if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
		const style = getComputedStyle(document.documentElement);
		const known = points.map(([, mA]) => mA).filter((x) => x !== null);
		let low = Math.min(...known), high = Math.max(...known);
		const room = Math.max((high - low) * 0.1, 2);
		low -= room;
		high += room;
		const x = (t) => width * (1 - (status.now_s - t) / STRIP_S), y = (mA) => height * (1 - (mA - low) / (high - low));
		g.clearRect(0, 0, width, height);
		g.strokeStyle = style.getPropertyValue("--ink");
		g.lineWidth = 2 * devicePixelRatio;
		g.beginPath();
		let down = false;
		for (const [t, mA] of points) {
			if (mA === null) {
				down = false;
				continue;
			}
			if (down) g.lineTo(x(t), y(mA));
			else g.moveTo(x(t), y(mA));
			down = true;
		}
		g.stroke();
		g.fillStyle = style.getPropertyValue("--soft");
		g.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
		g.fillText(`${high.toFixed(0)} mA`, 4, 13 * devicePixelRatio);
		g.fillText(`${low.toFixed(0)} mA`, 4, height - 4);
		for (const mark of status.marks || []) {
			if (status.now_s - mark.at_s > STRIP_S) continue;
			g.setLineDash([4, 4]);
			g.beginPath();
			g.moveTo(x(mark.at_s), 0);
			g.lineTo(x(mark.at_s), height);
			g.stroke();
			g.setLineDash([]);
		}
	}

	function tone() {
		if (!el("tone").checked || !audio) return;
		const sound = audio.createOscillator(), loud = audio.createGain();
		sound.frequency.value = 440;
		loud.gain.value = 0.2;
		sound.connect(loud).connect(audio.destination);
		sound.start();
		sound.stop(audio.currentTime + 0.4);
	}

	function words(status) {
		const awake = status.buses.some((b) => b.state === "awake"), now = status.now_s;
		const quiet = status.buses.every((b) => b.state === "quiet" && b.proven);
		const from = status.settle_from_s === null ? status.key_off_s : status.settle_from_s;
		if (waiting) return `${waiting.text}: sent in ${Math.max(Math.ceil(TAKE_BACK_S - (Date.now() - waiting.pressed) / 1000), 0)} s`;
		if (pulledAt !== null && backAt === null) {
			const left = SETTLE_FALL_S - (now - pulledAt);
			if (left > 0) return `wait ${Math.ceil(left)} s, then the change counts`;
			return awake ? "it is out and the bus is awake: leave it out until the bus is quiet or the time to sleep is over" : quiet ? "it is out and the bus is quiet" : "it is out; whether the bus is quiet cannot be told";
		}
		if (awake && from !== null) {
			const left = status.limits.sleep_s - (now - from);
			return left > 0 ? `bus awake: ${Math.ceil(left / 60)} min to settle` : "the bus has outlasted its time to sleep: a test counts now";
		}
		return awake ? "bus awake" : quiet ? "bus quiet" : "whether the bus is quiet cannot be told";
	}

	function show(status) {
		const points = recent(status), now = level(points, status.now_s - 3, status.now_s), c = status.current;
		const far = el("pull-now");
		far.replaceChildren(!c || c.now_mA === null ? "\u2013" : Math.abs(c.now_mA) < 9999.5 ? c.now_mA.toFixed(0) : (c.now_mA / 1000).toFixed(1));
		far.append(Object.assign(document.createElement("small"), { textContent: c && Math.abs(c.now_mA) >= 9999.5 ? " A" : " mA" }));
		if (base && now) {
			const change = now.mA - base.mA, error = Math.hypot(now.error, base.error);
			el("pull-change").textContent = `${change > 0 ? "+" : change < 0 ? "\u2212" : ""}${Math.abs(change).toFixed(0)} \u00b1${Math.max(error, 1).toFixed(0)} mA since the last mark`;
		} else {
			el("pull-change").textContent = base ? "\u2013" : "no mark yet";
		}
		if (was && now && now.mA < was.mA - Math.max(5, 3 * Math.hypot(now.error, was.error))) tone();
		was = now || was;
		el("pull-state").textContent = words(status);
		if (!el("pull").hidden) strip(status);
	}

	function send() {
		const mark = waiting;
		waiting = null;
		el("undo").hidden = true;
		window.setMark(mark.text, (Date.now() - mark.pressed) / 1000).catch((e) => {
			el("pull-state").textContent = `not set: ${e.message}`;
		});
	}

	function press(out) {
		const name = el("pull-name").value.trim(), status = lull.status;
		const plug = document.querySelector("input[name=kind]:checked").value === "plug";
		if (!name) {
			el("pull-name").focus();
			el("pull-state").textContent = "write the name of the fuse or node first";
			return;
		}
		if (waiting) {
			clearTimeout(waiting.timer);
			send();
		}
		const text = plug ? (out ? `unplugged ${name}` : `replugged ${name}`) : out ? `fuse out ${name}` : `fuse back ${name}`;
		if (status) {
			const l = level(recent(status), status.now_s - 20, status.now_s);
			base = l ? { ...l, at_s: status.now_s } : base;
			if (out) [pulledAt, backAt] = [status.now_s, null];
			else backAt = status.now_s;
		}
		waiting = { text, pressed: Date.now(), out, timer: setTimeout(send, TAKE_BACK_S * 1000) };
		el("undo").hidden = false;
	}

	function takeBack() {
		if (!waiting) return;
		clearTimeout(waiting.timer);
		if (waiting.out) pulledAt = null;
		else backAt = null;
		waiting = null;
		el("undo").hidden = true;
	}

	function begin() {
		el("out").addEventListener("click", () => press(true));
		el("back").addEventListener("click", () => press(false));
		el("undo").addEventListener("click", takeBack);
		el("pull-form").addEventListener("submit", (event) => event.preventDefault());
		// a browser lets sound out only after somebody touched the page
		el("tone").addEventListener("change", () => {
			audio = audio || new AudioContext();
			audio.resume();
		});
	}

	return { begin, show };
})();
