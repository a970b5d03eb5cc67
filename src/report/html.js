"use strict";
// Tables sort by the column whose head is pressed; a second press turns the order.
for (const button of document.querySelectorAll("table.sorts thead button")) {
	button.addEventListener("click", () => {
		const head = button.closest("th"), body = head.closest("table").tBodies[0];
		const column = [...head.parentNode.children].indexOf(head);
		const down = head.getAttribute("aria-sort") === "ascending";
		const key = (row) => {
			const cell = row.children[column], told = cell.dataset.v;
			return told === undefined ? cell.textContent : told === "" ? NaN : Number(told);
		};
		const rows = [...body.rows].map((row) => [key(row), row]);
		rows.sort(([a], [b]) => {
			if (typeof a === "string") return a.localeCompare(b, undefined, { numeric: true });
			return Number.isNaN(a) ? (Number.isNaN(b) ? 0 : 1) : Number.isNaN(b) ? -1 : a - b;
		});
		if (down) rows.reverse();
		for (const other of head.parentNode.children) other.removeAttribute("aria-sort");
		head.setAttribute("aria-sort", down ? "descending" : "ascending");
		body.append(...rows.map(([, row]) => row));
	});
}
// Links into folded parts open them.
addEventListener("hashchange", () => {
	const part = document.getElementById(location.hash.slice(1));
	if (part && part.tagName === "DETAILS") part.open = true;
});
