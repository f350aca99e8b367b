// The band across the top, always in sight: one frame's headline with its number and age, what is
// held beside it, the newest frame's verdict above it while another is looked at, and the alarm.
import { isOpen, watchers } from "./dialog.js";
import { by, html, mark, markIcon } from "./draw.js";

const LATE_MS = 300; // a frame that lands is here sooner; only then it is said to be coming
const SECOND = 1000;

// The type never gets smaller; a line that would not fit is set narrower.
function fit(place, words) {
  const inner = html("span", { class: "fit" }, words);
  place.replaceChildren(inner);
  const room = place.clientWidth;
  const needed = inner.offsetWidth;
  if (needed > room && room) inner.style.transform = `scaleX(${room / needed})`;
}

export function age(ms) {
  const seconds = Math.max(Math.floor(ms / SECOND), 0);
  if (seconds < 60) return `${seconds} s ago`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min ago`;
  return `${Math.floor(seconds / 3600)} h ${Math.floor((seconds % 3600) / 60)} min ago`;
}

export class Band {
  // `state` is the page's own: view, newest, held, last, link, drawing, isFollowing, status, offset.
  constructor(state) {
    this.state = state;
    this.alarmed = null;
    this.seen = 0;
    setInterval(() => this.drawState(), SECOND);
    by("alarm-seen").addEventListener("click", () => this.quieten());
    watchers.push((box) => this.home(box));
  }

  // How the page stands to the newest frame: only at `newest` the band is in full colour.
  get at() {
    const { link, drawing, isFollowing, view, last } = this.state;
    if (link.isUp === false) return "cut";
    if (drawing) return "drawing";
    if (!isFollowing) return "back";
    return view && view.number < last && this.isLate ? "coming" : "newest";
  }

  draw() {
    const { view, held, newest } = this.state;
    document.body.dataset.at = this.at;
    if (view) {
      by("mark").replaceChildren(mark(view.sign.shape, view.sign.role, { size: 20 }));
      document.body.dataset.verdict = view.verdict;
      by("band").dataset.call = view.call ?? "";
      by("number").textContent = view.number;
      by("band").dataset.number = view.number;
      fit(by("say"), view.say);
      fit(by("do"), view.do);
      document.title = `${view.say} stopwise`;
    }
    this.drawBeside(view, newest, held);
    this.drawStrip(newest);
    this.drawState();
    if (this.at === "newest" && !isOpen()) this.quieten();
    this.speak();
  }

  // A second line for what a frame doesn't say itself: a lamp that was out before the newest, and what
  // an unreadable one leaves to be done. Each stands with the frame that it is about.
  drawBeside(view, newest, held) {
    const isSaid = newest?.call === "misfire" && held?.is_out;
    const called = held && !isSaid ? [line("diamond", "fails", `${held.say} ${held.do}`)] : [];
    const waits = view?.pending ? [line("square", "text", `Still asked for by frame ${view.pending.number}: ${view.pending.say} ${view.pending.do}`)] : [];
    const isNewest = this.at === "newest";
    by("beside").replaceChildren(...(isNewest ? called : []), ...waits);
    by("strip-held").replaceChildren(...(isNewest ? [] : called));
  }

  drawStrip(newest) {
    const strip = by("strip");
    strip.hidden = this.at === "newest" || !newest;
    if (strip.hidden) return;
    strip.dataset.number = newest.number;
    strip.dataset.call = newest.call ?? "";
    by("strip-show").hidden = this.at !== "back";
    by("strip-words").replaceChildren(markIcon(newest.sign.shape, newest.sign.role), html("b", {}, `Newest ${newest.number}`), html("span", {}, ` ${newest.say} ${newest.do}`));
  }

  // Which frame it is and how old, and what the page does meanwhile.
  drawState() {
    const { view, newest, last, link, drawing, status, offset } = this.state;
    const parts = [];
    if (this.at === "cut") parts.push(`Cut off since ${clock(link.since)}`);
    if (this.at === "drawing") parts.push(`Drawing on frame ${drawing.number}, ${drawing.look ? `look ${drawing.look}` : "no look"}`);
    if (this.at === "back") parts.push(`Looking back at frame ${view?.number ?? "?"} of ${Math.max(last, newest?.number ?? 0)}`);
    if (this.at === "coming") parts.push(`Frame ${last} has landed and is coming`);
    if (view) parts.push(age(Date.now() + offset - view.landed_ms));
    if (status.behind > 1) parts.push(`${status.behind} behind`);
    if (view && this.at === "newest" && view.look) parts.push(`look ${view.look}`);
    fit(by("state"), parts.join(" · "));
    document.body.dataset.at = this.at;
  }

  // A frame landed whose own words aren't here yet: said so as soon as that takes longer than usual.
  landed() {
    clearTimeout(this.lateness);
    this.isLate = false;
    this.lateness = setTimeout(() => {
      this.isLate = true;
      if (this.at === "coming") this.draw();
    }, LATE_MS);
  }

  // Each time that it becomes another, what stands there is spoken; the newest before all else.
  speak() {
    const { view, newest, held } = this.state;
    const lines = [];
    if (view) lines.push(`${this.at === "newest" ? "" : `Frame ${view.number}: `}${view.say} ${view.do}`);
    if (newest && this.at !== "newest" && newest.number !== view?.number) lines.unshift(`Newest, frame ${newest.number}: ${newest.say} ${newest.do}`);
    for (const one of [...by("beside").children, ...by("strip-held").children]) lines.push(one.textContent);
    const words = lines.join(" ");
    if (by("spoken").textContent !== words) by("spoken").textContent = words;
  }

  // A lamp that gave no light breaks through whatever the page is at, until it is seen.
  callOut(view, isPlain) {
    if (view.call !== "misfire" || isPlain) return this.quieten();
    this.alarmed = view;
    by("alarm").dataset.number = view.number;
    by("alarm-say").textContent = `Frame ${view.number}: ${view.say}`;
    by("alarm-do").textContent = view.do;
    this.home(document.querySelector("dialog[open]"));
  }

  quieten() {
    this.alarmed = null;
    if (by("alarm").matches(":popover-open")) by("alarm").hidePopover();
  }

  // The alarm belongs to the dialog while one is open: what lies outside of it can't be reached.
  home(box) {
    const alarm = by("alarm");
    const place = box ?? document.body;
    if (alarm.parentElement !== place) {
      if (alarm.matches(":popover-open")) alarm.hidePopover();
      place.append(alarm);
    }
    if (this.alarmed && !alarm.matches(":popover-open")) alarm.showPopover();
  }
}

const line = (shape, role, words) => html("p", {}, markIcon(shape, role), html("span", {}, words));

const clock = (ms) => new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
