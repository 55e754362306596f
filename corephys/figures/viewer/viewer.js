// The viewer of a reduced hole: tracks on one depth axis, drawn on a canvas.
// One module for a page and for a notebook. It asks for nothing over a network, and it puts text
// from data into the page as text only.

/**
 * @typedef {{at: number, n: number, w: number, d: number}} Whole Array of whole numbers.
 * @typedef {{places: number, whole: Whole, missing: Whole, far: [number, string][]}} PackedValues
 * @typedef {{depth: PackedValues, place: Whole, offset: PackedValues,
 *   texts: Record<string, {words: string[], codes: Whole}>}} PackedPositions
 * @typedef {{path: string, words: string, shape: string, colour: string, used: boolean,
 *   positions: number, without_depth: number, value: PackedValues, u_random: Whole,
 *   u_systematic: Whole, flag: Whole, reason: Whole, reasons: string[][]}} PackedSeries
 * @typedef {{name: string, words: string, unit: string, low: number, high: number, log: boolean,
 *   shown: boolean, sensor: string, series: PackedSeries[]}} PackedTrack
 * @typedef {{name: string, method: string, grey: string, top: number, bottom: number,
 *   reach: number}} Core
 * @typedef {{name: string, lithology: string, top: number, bottom: number, tint: string}} Layer
 * @typedef {{kind: string, file: string, top: number, bottom: number,
 *   bytes: [number, number] | null}} Photo
 * @typedef {{format: number, title: string, depth: {scale: string, words: string},
 *   levels: Record<string, string>, used: number[], grey: string, tracks: PackedTrack[],
 *   positions: PackedPositions[], places: [string, string][],
 *   sections: [number, number, number, number][], cores: Core[], layers: Layer[],
 *   lithology: {looks: [string, string, string][], stretches: [number, number, number][]},
 *   pictures: Photo[], pictures_lacking: string, safety: string[],
 *   extent: [number, number]}} Head
 * @typedef {{depth: Float64Array, place: Int32Array, offset: Float64Array,
 *   texts: Record<string, {words: string[], codes: Int32Array}>}} Positions
 * @typedef {{words: string, shape: string, colour: string, used: boolean, path: string,
 *   hidden: number, at: Positions, places: number, value: Float64Array, random: Int32Array,
 *   systematic: Int32Array, flag: Int32Array, reason: Int32Array, reasons: string[][],
 *   kind: Uint8Array, share: Float32Array}} Series
 * @typedef {{name: string, words: string, unit: string, low: number, high: number, log: boolean,
 *   positive: boolean, shown: boolean, sensor: string, power: number, series: Series[], x: number,
 *   width: number, stats: Stats}} Track
 * @typedef {{n: number, flagged: number, missing: number, left: number, right: number,
 *   low: number, high: number}} Stats
 * @typedef {{core: string, section: string, from: number, to: number, reason: string,
 *   sensor: string, who: string}} Row Row of exclusions.csv; ends in cm.
 * @typedef {{track: number, series: number, i: number}} Reading
 * @typedef {{top: number, bottom: number}} View
 */

// ------------------------------------------------------------------------------------------------
// The package: head, arrays, pictures.

/** Bytes of a text in base64. @param {string} text @returns {Uint8Array} */
export function fromBase64(text) {
  const raw = atob(text.trim());
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

/**
 * Head and arrays of a package.
 * @param {Uint8Array} packed @returns {Promise<{head: Head, body: Uint8Array}>}
 */
export async function unpack(packed) {
  const stream = new Blob([/** @type {BlobPart} */ (packed)])
    .stream()
    .pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  const length = new DataView(bytes.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
  return { head, body: bytes.subarray(4 + length) };
}

/** Whole numbers of an array. @param {Uint8Array} body @param {Whole} a @returns {Int32Array} */
export function whole(body, a) {
  const found = new Int32Array(a.n);
  const { at, n, w } = a;
  let last = 0;
  for (let i = 0; i < n; i++) {
    let z = body[at + i];
    for (let k = 1; k < w; k++) z += body[at + k * n + i] * 2 ** (8 * k);
    const number = z % 2 === 0 ? z / 2 : -(z + 1) / 2;
    last = a.d ? last + number : number;
    found[i] = last;
  }
  return found;
}

/** Values of a series. @param {Uint8Array} body @param {PackedValues} p @returns {Float64Array} */
export function values(body, p) {
  const numbers = whole(body, p.whole);
  const found = new Float64Array(numbers.length);
  const scale = 10 ** Math.abs(p.places);
  // A division by a power of ten gives the nearest number to the decimal; a product would not.
  for (let i = 0; i < found.length; i++) {
    found[i] = p.places >= 0 ? numbers[i] / scale : numbers[i] * scale;
  }
  for (const i of whole(body, p.missing)) found[i] = NaN;
  for (const [i, text] of p.far) found[i] = text.includes("inf") ? Infinity * (text[0] === "-" ? -1 : 1) : Number(text);
  return found;
}

const [NOT_KNOWN, ZERO, NOT_FINITE, FIRST] = [0, 1, 2, 3];
const LEAST_POWER = -40;
const MANTISSAS = 90;

/** Number of a code of an uncertainty; NaN if not known. @param {number} code */
export function uncertainty(code) {
  if (code === ZERO) return 0;
  if (code < FIRST) return NaN;
  const [digits, power] = parts(code);
  return digits * 10 ** (power - 1);
}

/** Two digits and power of ten of a code. @param {number} code @returns {[number, number]} */
function parts(code) {
  const rest = code - FIRST;
  return [10 + (rest % MANTISSAS), LEAST_POWER + Math.floor(rest / MANTISSAS)];
}

// ------------------------------------------------------------------------------------------------
// Numbers in print.

const RAISED = "⁰¹²³⁴⁵⁶⁷⁸⁹";

/** Power of ten in print. @param {number} power */
function tenTo(power) {
  const digits = [...String(Math.abs(power))].map((d) => RAISED[Number(d)]).join("");
  return `10${power < 0 ? "⁻" : ""}${digits}`;
}

/** With a minus sign in place of a hyphen. @param {string} text */
const minus = (text) => text.replace("-", "−");

/** Power of ten that a number is printed with, 0 for a usual size. @param {number} size */
function powerOf(size) {
  const large = Math.abs(size);
  return large > 0 && (large < 0.01 || large >= 1e6) ? Math.floor(Math.log10(large)) : 0;
}

/** Value with a number of decimals. @param {number} value @param {number} places @param {number} power */
function printed(value, places, power) {
  if (!Number.isFinite(value)) return minus(String(value));
  return minus((value / 10 ** power).toFixed(Math.min(100, Math.max(0, places + power))));
}

/** Uncertainty with two digits. @param {number} code @param {number} power */
function printedUncertainty(code, power) {
  if (code === NOT_KNOWN) return "not known";
  if (code === NOT_FINITE) return "not finite";
  if (code === ZERO) return "0";
  const [digits, own] = parts(code);
  const shift = own - 1 - power;
  return shift >= 0 ? String(digits * 10 ** shift) : (digits / 10 ** -shift).toFixed(Math.min(100, -shift));
}

/**
 * Round steps of a scale: marks and decimals.
 * @param {number} low @param {number} high @param {number} most @returns {{marks: number[], places: number}}
 */
function steps(low, high, most) {
  const rough = (high - low) / Math.max(1, most);
  const power = Math.floor(Math.log10(rough));
  const lead = rough / 10 ** power;
  const step = (lead <= 1 ? 1 : lead <= 2 ? 2 : lead <= 5 ? 5 : 10) * 10 ** power;
  const marks = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) marks.push(k * step);
  return { marks, places: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

// ------------------------------------------------------------------------------------------------
// The data of a hole as arrays in order of depth.

const [GOOD, DOUBTED, BAD, OTHER, MISSING] = [0, 1, 2, 3, 4];

/** Reduced hole as the viewer holds it. */
export class Hole {
  /** @param {Head} head @param {Uint8Array} body */
  constructor(head, body) {
    this.head = head;
    this.body = body;
    this.used = new Set(head.used);
    /** @type {Positions[]} */
    this.positions = head.positions.map((p) => ({
      depth: values(body, p.depth),
      place: whole(body, p.place).map((code) => code - 1),
      offset: values(body, p.offset),
      texts: Object.fromEntries(
        Object.entries(p.texts).map(([k, t]) => [k, { words: t.words, codes: whole(body, t.codes) }]),
      ),
    }));
    /** @type {Track[]} */
    this.tracks = head.tracks.map((t) => this.track(t));
    /** @type {Map<number, {top: number, bottom: number, length: number}>} */
    this.sections = new Map(
      head.sections.map(([place, top, bottom, length]) => [place, { top, bottom, length }]),
    );
  }

  /** @param {PackedTrack} t @returns {Track} */
  track(t) {
    const series = t.series.map((s) => this.series(s));
    const size = Math.max(Math.abs(t.low), Math.abs(t.high));
    const positive = series.every((s) => s.value.every((v, i) => s.kind[i] !== GOOD || v > 0));
    const { name, words, unit, low, high, log, shown, sensor } = t;
    /** @type {Track} */
    const track = {
      name, words, unit, low, high, log, positive, shown, sensor, series,
      power: powerOf(size), x: 0, width: 0, stats: noStats(),
    };
    scale(track);
    return track;
  }

  /** @param {PackedSeries} s @returns {Series} */
  series(s) {
    const flag = whole(this.body, s.flag);
    const value = values(this.body, s.value);
    const kind = new Uint8Array(flag.length);
    for (let i = 0; i < kind.length; i++) {
      const level = flag[i];
      if (Number.isNaN(value[i]) || level === 9) kind[i] = MISSING;
      else if (this.used.has(level)) kind[i] = GOOD;
      else kind[i] = level === 3 ? DOUBTED : level === 4 ? BAD : OTHER;
    }
    return {
      words: s.words, shape: s.shape, colour: s.colour, used: s.used, path: s.path,
      hidden: s.without_depth, at: this.positions[s.positions], places: s.value.places, value,
      random: whole(this.body, s.u_random), systematic: whole(this.body, s.u_systematic), flag,
      reason: whole(this.body, s.reason), reasons: s.reasons, kind,
      share: new Float32Array(flag.length),
    };
  }

  /** Names of core and section of a reading; null by depth alone. @param {Series} s @param {number} i */
  placeOf(s, i) {
    const code = s.at.place[i];
    return code < 0 ? null : this.head.places[code];
  }

  /**
   * Intervals of the sections between two depths, ends outward to a millimetre.
   * @param {number} top @param {number} bottom @returns {Row[]}
   */
  intervals(top, bottom) {
    const rows = [];
    for (const [place, s] of this.sections) {
      if (s.bottom <= top || s.top >= bottom) continue;
      const along = (/** @type {number} */ d) => ((d - s.top) / (s.bottom - s.top)) * s.length;
      const from = Math.max(0, Math.floor(along(top) * 10 + 1e-6) / 10);
      const to = Math.min(s.length, Math.ceil(along(bottom) * 10 - 1e-6) / 10);
      if (to > from) rows.push(this.row(place, from, to));
    }
    return rows;
  }

  /** @param {number} place @param {number} from @param {number} to @returns {Row} */
  row(place, from, to) {
    const [core, section] = this.head.places[place];
    return { core, section, from: tidy(from), to: tidy(to), reason: "", sensor: "", who: "" };
  }

  /** Number of a section; -1 if unknown. @param {string} core @param {string} section */
  placeCode(core, section) {
    return this.head.places.findIndex((pair) => pair[0] === core && pair[1] === section);
  }

  /** Readings of the scan in an interval, each position once. @param {Row} row */
  count(row) {
    const place = this.placeCode(row.core, row.section);
    const seen = new Set();
    let n = 0;
    for (const t of this.tracks) {
      if (row.sensor !== "" && t.sensor !== row.sensor) continue;
      for (const s of t.series) {
        if (!s.words.startsWith("scan") || seen.has(s.at)) continue;
        seen.add(s.at);
        const { place: places, offset } = s.at;
        // With the tolerance of the reader, a millionth of a metre.
        for (let i = 0; i < places.length; i++) {
          if (places[i] === place && offset[i] >= row.from - 1e-4 && offset[i] <= row.to + 1e-4) n++;
        }
      }
    }
    return n;
  }
}

/** Offset [cm] without the rounding of the machine. @param {number} offset */
const tidy = (offset) => Math.round(offset * 1e4) / 1e4;

/** @returns {Stats} */
const noStats = () => ({ n: 0, flagged: 0, missing: 0, left: 0, right: 0, low: Infinity, high: -Infinity });

/** Set where each value of a track lies between the ends of its scale, 0 to 1. @param {Track} t */
function scale(t) {
  const [low, high] = t.log ? [Math.log10(t.low), Math.log10(t.high)] : [t.low, t.high];
  const span = high - low || 1;
  for (const s of t.series) {
    for (let i = 0; i < s.value.length; i++) {
      const v = s.value[i];
      const at = t.log ? (v > 0 ? Math.log10(v) : -Infinity) : v;
      s.share[i] = Number.isNaN(v) ? NaN : (at - low) / span;
    }
  }
}

/** Value at a place of the scale. @param {Track} t @param {number} share */
function valueAt(t, share) {
  return t.log
    ? 10 ** (Math.log10(t.low) + share * (Math.log10(t.high) - Math.log10(t.low)))
    : t.low + share * (t.high - t.low);
}

/** First index whose depth is at least ``depth``. @param {Float64Array} depths @param {number} depth */
function firstFrom(depths, depth) {
  let [low, high] = [0, depths.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (depths[middle] < depth) low = middle + 1;
    else high = middle;
  }
  return low;
}

// ------------------------------------------------------------------------------------------------
// Rows of exclusions.csv.

const HEADER = ["core", "section", "from [cm]", "to [cm]", "reason", "sensor", "who"];

/** Cell of a CSV table. @param {string} text */
const cell = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);

/** Number as the library writes it: 41.0, not 41. @param {number} x */
const decimal = (x) => (Number.isInteger(x) ? `${x}.0` : String(x));

/** Text of exclusions.csv. @param {Row[]} rows */
export function csvText(rows) {
  const lines = rows.map((r) =>
    [r.core, r.section, decimal(r.from), decimal(r.to), r.reason, r.sensor, r.who].map(cell).join(","),
  );
  return [HEADER.join(","), ...lines].join("\n");
}

// ------------------------------------------------------------------------------------------------
// The page elements around the canvas.

/**
 * Element with properties and children; text becomes a text node and is never read as HTML.
 * @param {string} tag @param {Record<string, any>} [given] @param {(Node | string)[]} [children]
 * @returns {any}
 */
function make(tag, given = {}, children = []) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name in element && !name.startsWith("aria")) Reflect.set(element, name, value);
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

const HEAD = 72; // height above the tracks [pixels]
const FOOT = 18; // height below the tracks
const GUTTER = 8; // width of the bar of flags
const LINE = "#d8d3c8";
const INK = "#2b2a28";
const SOFT = "#6d6a64";
const FLAG = { [DOUBTED]: "#d79b2a", [BAD]: "#93281f", [OTHER]: "#8d94a3", [MISSING]: "#c4c0b8" };
const FLAG_WIDTH = { [DOUBTED]: 4, [BAD]: 7, [OTHER]: 3, [MISSING]: 2 };
const FONT = "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif";
const NEAREST = 14; // distance within which a pointer finds a reading [pixels]
const LEAST_SPAN = 0.02; // shortest depth range [m]

/** The viewer in one element. */
export class Viewer {
  /**
   * @param {HTMLElement} root @param {Hole} hole
   * @param {{onRows?: (rows: Row[]) => void, onView?: (view: View) => void, words?: string}} [listeners]
   */
  constructor(root, hole, listeners = {}) {
    this.root = root;
    this.hole = hole;
    this.listeners = listeners;
    this.words = listeners.words ?? "Put these rows into exclusions.csv of the hole folder and reduce again.";
    const [low, high] = hole.head.extent;
    const room = 0.01 * (high - low || 1);
    /** @type {View} */
    this.limits = { top: low - room, bottom: high + room };
    /** @type {View} */
    this.view = { ...this.limits };
    /** @type {Row[]} */
    this.rows = [];
    /** @type {Row[]} */
    this.pending = [];
    /** @type {Reading | null} */
    this.focus = null;
    /** @type {Reading | null} */
    this.hovered = null;
    /** @type {{x: number, y: number} | null} */
    this.pointer = null;
    this.mode = "";
    this.filter = "";
    this.focusTrack = 0;
    this.milliseconds = 0;
    this.height = 560;
    this.printing = false;
    this.lastWidth = 0;
    this.elsewhere = -Infinity; // time of the last turn of the wheel beside the tracks [ms]
    /** @type {Uint8Array | null} */
    this.overview = null;
    /** @type {Reading[] | null} */
    this.flagged = null;
    /** @type {{kind: string, x0: number, y0: number, x1: number, y1: number, top: number, bottom: number} | null} */
    this.drag = null;
    this.who = "";
    /** @type {Map<string, ImageBitmap>} */
    this.photos = new Map();
    /** @type {CanvasPattern[]} */
    this.hatches = [];
    this.build();
    this.listen();
    this.layout();
    this.loadPhotos();
  }

  /** Tracks that are shown, in their order. */
  get shown() {
    return this.hole.tracks.filter((t) => t.shown);
  }

  /** Height of the tracks [pixels]. */
  get deep() {
    return this.height - HEAD - FOOT;
  }

  /** @param {number} depth */
  y(depth) {
    return HEAD + ((depth - this.view.top) / (this.view.bottom - this.view.top)) * this.deep;
  }

  /** @param {number} y */
  depthAt(y) {
    return this.view.top + ((y - HEAD) / this.deep) * (this.view.bottom - this.view.top);
  }

  build() {
    const { head } = this.hole;
    const button = (/** @type {string} */ text, /** @type {string} */ title, /** @type {() => void} */ act) =>
      make("button", { type: "button", title, onclick: act }, [text]);
    this.corePicker = make("select", { "aria-label": "core to show", onchange: () => this.showCore(this.corePicker.value) }, [
      make("option", { value: "" }, ["core …"]),
      ...head.cores.map((c) => make("option", { value: c.name }, [`core ${c.name}`])),
    ]);
    this.filterPicker = make("select", {
      "aria-label": "quantity whose flagged readings are visited",
      onchange: () => { this.filter = this.filterPicker.value; this.flagged = null; this.countFlagged(); },
    });
    this.flaggedCount = make("span", { className: "cv-count" });
    this.markInterval = button("mark interval", "drag over a depth interval to exclude it (or hold Shift and drag)", () => this.setMode("interval"));
    this.markBox = button("mark readings", "drag a box around readings of one track to exclude them", () => this.setMode("box"));
    this.byHand = button("by numbers", "type core, section and ends of an interval", () => this.addByHand());
    this.trackList = make("div", { className: "cv-tracklist" });
    const tracks = make("details", { className: "cv-tracks" }, [make("summary", {}, ["tracks"]), this.trackList]);
    this.bar = make("div", { className: "cv-bar", role: "group", "aria-label": "controls of the viewer" }, [
      make("span", { className: "cv-group" }, [
        this.corePicker,
        button("−", "show more depth (key −)", () => this.zoom(1.6)),
        button("+", "show less depth (key +)", () => this.zoom(1 / 1.6)),
        button("whole hole", "show the whole hole (key 0, or double click)", () => this.reset()),
      ]),
      make("span", { className: "cv-group" }, [
        make("span", {}, ["flagged"]),
        button("‹ previous", "previous flagged reading (key p)", () => this.nextFlagged(-1)),
        button("next ›", "next flagged reading (key n)", () => this.nextFlagged(1)),
        this.filterPicker,
        this.flaggedCount,
      ]),
      make("span", { className: "cv-group" }, [make("span", {}, ["exclude"]), this.markInterval, this.markBox, this.byHand]),
      make("span", { className: "cv-group" }, [tracks]),
    ]);
    this.left = make("canvas", { className: "cv-left", "aria-hidden": "true" });
    this.main = make("canvas", {
      className: "cv-main", tabIndex: 0, role: "application",
      "aria-roledescription": "tracks against depth", "aria-label": this.label(),
    });
    this.over = make("canvas", { className: "cv-over", "aria-hidden": "true" });
    this.tip = make("div", { className: "cv-tip", hidden: true, role: "presentation" });
    this.scroller = make("div", { className: "cv-scroller" }, [this.main, this.over]);
    this.stage = make("div", { className: "cv-stage" }, [this.left, this.scroller, this.tip]);
    this.reading = make("p", { className: "cv-reading", "aria-live": "polite" }, [
      "Point at a reading, or press n for the next flagged one.",
    ]);
    this.summary = make("p", { className: "cv-summary", role: "status", "aria-live": "polite" });
    this.form = make("div", { className: "cv-form", hidden: true });
    this.table = make("div", { className: "cv-rows" });
    this.exclusions = make("section", { className: "cv-exclusions", "aria-label": "intervals to exclude" }, [this.form, this.table]);
    const title = head.title ? `${head.title}: ` : "";
    this.root.replaceChildren(
      make("div", { className: "cv-title" }, [`${title}all readings against ${head.depth.words.replace(" [m]", "")}`]),
      this.bar, this.stage, this.reading, this.summary, this.legend(), this.exclusions,
      ...head.safety.map((line) => make("p", { className: "cv-safety" }, [line])),
    );
    this.root.setAttribute("role", "region");
    // A notebook leaves keys that are pressed in here alone.
    this.root.setAttribute("data-lm-suppress-shortcuts", "true");
    this.root.setAttribute("aria-label", `viewer of ${head.title || "the hole"}`);
    this.listTracks();
    this.drawForm();
    this.drawRows();
  }

  /** Words for a screen reader about the canvas and its keys. */
  label() {
    return (
      "Tracks of the hole. Arrow up and down move, plus and minus zoom, 0 shows the whole hole, " +
      "n and p visit flagged readings, left and right choose a track, comma and full stop step " +
      "from reading to reading, Home and End go to the ends, m marks the reading, Escape cancels."
    );
  }

  /** The line that explains symbols and bars. */
  legend() {
    const { head } = this.hole;
    const bar = (/** @type {number} */ kind) =>
      make("i", { className: "cv-swatch", style: `background:${FLAG[/** @type {1} */ (kind)]};width:${FLAG_WIDTH[/** @type {1} */ (kind)]}px` });
    const lines = [
      make("span", {}, ["dots and bars: scan; open symbols: samples; bars join the smallest and the largest reading of a row of pixels"]),
      make("span", {}, ["bar at the right of a track: ", bar(DOUBTED), " suspect ", bar(BAD), " bad ", bar(MISSING), " missing ",
        ...(this.hole.used.has(2) ? [] : [bar(OTHER), " not evaluated "])]),
      make("span", {}, [make("i", { className: "cv-swatch", style: `background:${head.grey};width:10px` }), " flagged, not used by products"]),
      make("span", {}, ["◂ ▸ off the scale, with their number below"]),
    ];
    const hidden = Math.max(0, ...this.hole.tracks.flatMap((t) => t.series.map((s) => s.hidden)));
    if (hidden) lines.push(make("span", {}, [`up to ${hidden} readings of a track have no depth and are not drawn`]));
    if (head.pictures_lacking) lines.push(make("span", {}, [head.pictures_lacking]));
    const looks = head.lithology.looks.map(([word, grey, hatch]) =>
      make("span", {}, [make("i", { className: `cv-swatch cv-hatch-${{ "/": "a", "\\": "b", "|": "c", x: "d" }[hatch] ?? "0"}`, style: `background-color:${grey}` }), ` ${word}`]));
    if (looks.length) lines.push(make("span", {}, ["described: "]), ...looks);
    return make("p", { className: "cv-legend" }, lines);
  }

  /** Check boxes and scales of the tracks, and the filter of flagged readings. */
  listTracks() {
    this.trackList.replaceChildren(
      ...this.hole.tracks.map((t) => {
        const box = make("input", { type: "checkbox", checked: t.shown, onchange: () => { t.shown = box.checked; this.tracksChanged(); } });
        const log = make("input", { type: "checkbox", checked: t.log, disabled: !t.positive, onchange: () => this.setLog(t, log.checked) });
        return make("div", {}, [
          make("label", {}, [box, ` ${t.words}`]),
          make("label", { className: "cv-log", title: "logarithmic scale; needs positive readings" }, [log, " log"]),
        ]);
      }),
    );
    this.tracksChanged(false);
  }

  /** @param {boolean} [drawn] */
  tracksChanged(drawn = true) {
    const names = this.shown.map((t) => t.name);
    if (!names.includes(this.filter)) this.filter = "";
    this.filterPicker.replaceChildren(
      make("option", { value: "" }, ["in all shown tracks"]),
      ...this.shown.map((t) => make("option", { value: t.name }, [`in ${t.words}`])),
    );
    this.filterPicker.value = this.filter;
    this.flagged = null;
    this.overview = null;
    this.countFlagged();
    this.focusTrack = Math.min(this.focusTrack, Math.max(0, names.length - 1));
    if (drawn) this.layout();
  }

  /** @param {Track} t @param {boolean} on */
  setLog(t, on) {
    if (on && !t.positive) return;
    const original = this.hole.head.tracks[this.hole.tracks.indexOf(t)];
    let [low, high] = [Infinity, -Infinity];
    for (const s of t.series) s.value.forEach((v, i) => { if (s.kind[i] === GOOD && s.used) { low = Math.min(low, v); high = Math.max(high, v); } });
    t.log = on;
    if (on === original.log || !(low < high)) [t.low, t.high] = [original.low, original.high];
    else if (on) [t.low, t.high] = [0.9 * low, 1.1 * high];
    else [t.low, t.high] = [low - 0.06 * (high - low), high + 0.06 * (high - low)];
    t.log = on && t.low > 0;
    scale(t);
    this.draw();
  }

  // ----------------------------------------------------------------------------------------------
  // Layout and drawing.

  layout() {
    const width = this.printing ? 690 : this.stage.clientWidth || 900;
    this.lastWidth = this.root.clientWidth;
    const narrow = width < 520;
    this.strip = narrow ? { overview: 14, axis: 40, cores: 26 } : { overview: 22, axis: 50, cores: 40 };
    const leftWidth = this.strip.overview + this.strip.axis + this.strip.cores;
    const { head } = this.hole;
    this.kinds = [...new Set(head.pictures.map((p) => p.kind))];
    const beside = (head.layers.length ? 24 : 0) + (head.lithology.stretches.length ? 20 : 0) + 30 * this.kinds.length;
    const least = this.printing ? 40 : 96;
    const room = Math.max(width - leftWidth - 1, beside + least * this.shown.length);
    this.height = this.printing ? 820 : Math.max(380, Math.min(680, Math.round(0.72 * (window.innerHeight || 800))));
    this.dots = this.printing ? 3 : Math.min(3, window.devicePixelRatio || 1);
    this.mainWidth = room;
    const each = this.shown.length ? Math.min(220, (room - beside) / this.shown.length) : 0;
    let x = beside;
    for (const t of this.shown) {
      t.x = x;
      t.width = each;
      x += each;
    }
    for (const [canvas, w] of /** @type {[HTMLCanvasElement, number][]} */ ([[this.left, leftWidth], [this.main, room], [this.over, room]])) {
      canvas.width = Math.round(w * this.dots);
      canvas.height = Math.round(this.height * this.dots);
      canvas.style.width = `${w}px`;
      canvas.style.height = `${this.height}px`;
    }
    this.overview = null;
    this.hatches = [];
    this.paint();
  }

  /** Draw at the next frame. */
  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => this.paint());
  }

  paint() {
    this.asked = false;
    const start = performance.now();
    const g = this.context(this.main);
    g.fillStyle = "#ffffff";
    g.fillRect(0, 0, this.mainWidth ?? 0, this.height);
    this.drawStrips(g);
    for (const t of this.shown) this.drawTrack(g, t);
    this.drawEnds(g);
    this.drawRowsOn(g);
    this.drawLeft();
    this.drawOver();
    this.milliseconds = performance.now() - start;
    this.root.dataset.milliseconds = this.milliseconds.toFixed(2);
    this.describeSoon();
  }

  /** @param {HTMLCanvasElement} canvas @returns {CanvasRenderingContext2D} */
  context(canvas) {
    const g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    const dots = this.dots ?? 1;
    g.setTransform(dots, 0, 0, dots, 0, 0);
    g.textBaseline = "alphabetic";
    return g;
  }

  /** Layers, described lithology and pictures. @param {CanvasRenderingContext2D} g */
  drawStrips(g) {
    const { head } = this.hole;
    let x = 0;
    g.save();
    g.beginPath();
    g.rect(0, HEAD, this.mainWidth ?? 0, this.deep);
    g.clip();
    /** @type {[string, number, number][]} */
    const heads = [];
    if (head.layers.length) {
      for (const layer of head.layers) {
        const [top, bottom] = [Math.max(HEAD, this.y(layer.top)), Math.min(HEAD + this.deep, this.y(layer.bottom))];
        if (bottom <= top) continue;
        g.fillStyle = layer.tint;
        g.fillRect(x, top, 24, bottom - top);
        g.strokeStyle = LINE;
        g.strokeRect(x + 0.5, top, 23, bottom - top);
        const words = layer.lithology ? `${layer.name}, ${layer.lithology}` : layer.name;
        upright(g, [words, layer.name], x + 15, (top + bottom) / 2, bottom - top - 6);
      }
      heads.push(["layers", x, 24]);
      x += 24;
    }
    if (head.lithology.stretches.length) {
      this.drawLithology(g, x);
      heads.push(["described", x, 20]);
      x += 20;
    }
    for (const kind of this.kinds ?? []) {
      for (const p of head.pictures) {
        if (p.kind !== kind || p.bottom < this.view.top || p.top > this.view.bottom) continue;
        const [top, bottom] = [this.y(p.top), this.y(p.bottom)];
        const photo = this.photos.get(p.file);
        if (photo) g.drawImage(photo, x + 3, top, 24, bottom - top);
        else {
          g.strokeStyle = "#b5b0a5";
          g.strokeRect(x + 3.5, top, 23, bottom - top);
        }
      }
      heads.push([`${kind}s`, x, 30]);
      x += 30;
    }
    g.restore();
    for (const [words, at, width] of heads) {
      g.fillStyle = SOFT;
      g.font = `10px ${FONT}`;
      g.save();
      g.translate(at + width / 2 + 3, HEAD - 5);
      g.rotate(-Math.PI / 2);
      g.textAlign = "left";
      g.fillText(words, 0, 0);
      g.restore();
    }
  }

  /** @param {CanvasRenderingContext2D} g @param {number} x */
  drawLithology(g, x) {
    const { looks, stretches } = this.hole.head.lithology;
    if (!this.hatches.length) this.hatches = looks.map(([, , hatch]) => hatchOf(g, hatch));
    for (const [look, from, to] of stretches) {
      if (to < this.view.top || from > this.view.bottom) continue;
      const [top, bottom] = [Math.max(HEAD, this.y(from)), Math.min(HEAD + this.deep, this.y(to))];
      g.fillStyle = looks[look][1];
      g.fillRect(x + 2, top, 16, Math.max(0.5, bottom - top));
      if (looks[look][2]) {
        g.fillStyle = this.hatches[look];
        g.fillRect(x + 2, top, 16, Math.max(0.5, bottom - top));
      }
    }
  }

  /** @param {CanvasRenderingContext2D} g @param {Track} t */
  drawTrack(g, t) {
    const inner = t.width - GUTTER - 4;
    this.drawHead(g, t, inner);
    t.stats = noStats();
    const rows = Math.max(1, Math.round(this.deep));
    const worst = new Uint8Array(rows);
    const edge = new Uint8Array(rows);
    g.save();
    g.beginPath();
    g.rect(t.x, HEAD, t.width - 3, this.deep);
    g.clip();
    // Supplied values that stand beside lie below, samples over the scan.
    const order = [...t.series].sort((a, b) => Number(a.used) - Number(b.used));
    for (const s of order) {
      const first = firstFrom(s.at.depth, this.view.top);
      const end = firstFrom(s.at.depth, this.view.bottom + 1e-9);
      if (end - first > 0.45 * rows) this.drawBars(g, t, s, first, end, rows, inner, worst, edge);
      else this.drawMarks(g, t, s, first, end, rows, inner, worst);
    }
    // Rows with readings off the scale, at the edge of the track.
    g.fillStyle = "#7d2b66";
    stripes(edge, (sides, from, high) => {
      if (sides & 1) g.fillRect(t.x + 1, HEAD + from, 4, high);
      if (sides & 2) g.fillRect(t.x + inner - 3, HEAD + from, 4, high);
    });
    drawFlags(g, worst, t.x + inner + 2, GUTTER);
    g.restore();
    this.drawFoot(g, t, inner);
  }

  /** @param {CanvasRenderingContext2D} g @param {Track} t @param {number} inner */
  drawHead(g, t, inner) {
    const chosen = this.shown[this.focusTrack] === t && document.activeElement === this.main;
    g.fillStyle = chosen ? "#f4f0e6" : "#ffffff";
    g.fillRect(t.x, 0, t.width - 3, HEAD);
    const { marks, texts } = this.marks(t, inner);
    g.strokeStyle = "#efece5";
    g.lineWidth = 1;
    g.beginPath();
    for (const share of marks) {
      const x = Math.round(t.x + share * inner) + 0.5;
      g.moveTo(x, HEAD);
      g.lineTo(x, HEAD + this.deep);
    }
    g.stroke();
    g.strokeStyle = LINE;
    g.strokeRect(t.x + 0.5, HEAD + 0.5, t.width - 4, this.deep - 1);
    g.beginPath();
    g.moveTo(t.x + inner + 0.5, HEAD);
    g.lineTo(t.x + inner + 0.5, HEAD + this.deep);
    g.stroke();
    g.fillStyle = t.series[0].colour;
    g.fillRect(t.x, HEAD - 2, t.width - 3, 2);
    g.fillStyle = INK;
    g.font = `600 11px ${FONT}`;
    g.textAlign = "left";
    const power = t.log ? 0 : t.power;
    const unit = [power ? tenTo(power) : "", t.unit].filter(Boolean).join(" ");
    const lines = broken(g, t.words, t.width - 8);
    lines.slice(0, 2).forEach((words, k) => g.fillText(words, t.x + 3, 13 + 13 * k));
    g.font = `11px ${FONT}`;
    g.fillStyle = SOFT;
    if (unit) g.fillText(`[${unit}]`, t.x + 3, 13 + 13 * Math.min(2, lines.length), t.width - 8);
    g.font = `10px ${FONT}`;
    let free = -Infinity;
    marks.forEach((share, k) => {
      const wide = g.measureText(texts[k]).width;
      const x = Math.min(Math.max(t.x + share * inner - wide / 2, t.x + 1), t.x + t.width - 4 - wide);
      if (x < free) return;
      g.fillText(texts[k], x, HEAD - 6);
      free = x + wide + 5;
    });
  }

  /** Marks of the scale of a track, as shares of its width, and their texts. @param {Track} t @param {number} inner */
  marks(t, inner) {
    if (t.log) {
      const exponents = [];
      for (let e = Math.ceil(Math.log10(t.low) - 1e-9); e <= Math.log10(t.high) + 1e-9; e++) exponents.push(e);
      if (exponents.length > 1) {
        const at = (/** @type {number} */ v) => (Math.log10(v) - Math.log10(t.low)) / (Math.log10(t.high) - Math.log10(t.low));
        return { marks: exponents.map((e) => at(10 ** e)), texts: exponents.map((e) => (Math.abs(e) < 3 ? String(10 ** e) : tenTo(e))) };
      }
      const both = [t.low, Math.sqrt(t.low * t.high), t.high];
      return { marks: [0, 0.5, 1], texts: both.map((v) => minus(v.toPrecision(2))) };
    }
    const unit = 10 ** t.power;
    const { marks, places } = steps(t.low / unit, t.high / unit, Math.max(1, inner / 30));
    return {
      marks: marks.map((v) => (v * unit - t.low) / (t.high - t.low)),
      texts: marks.map((v) => minus(v.toFixed(places))),
    };
  }

  /**
   * Smallest and largest reading of each row of pixels as one bar.
   * @param {CanvasRenderingContext2D} g @param {Track} t @param {Series} s @param {number} first
   * @param {number} end @param {number} rows @param {number} inner @param {Uint8Array} worst
   * @param {Uint8Array} edge
   */
  drawBars(g, t, s, first, end, rows, inner, worst, edge) {
    const low = new Float32Array(2 * rows).fill(Infinity);
    const high = new Float32Array(2 * rows).fill(-Infinity);
    const { depth } = s.at;
    const { share, kind } = s;
    const perMetre = rows / (this.view.bottom - this.view.top);
    const { top } = this.view;
    const stats = t.stats;
    for (let i = first; i < end; i++) {
      let r = ((depth[i] - top) * perMetre) | 0;
      if (r >= rows) r = rows - 1;
      const k = kind[i];
      if (s.used) {
        stats.n++;
        if (k !== GOOD) {
          if (ORDER[k] > worst[r]) worst[r] = ORDER[k];
          if (k === MISSING) stats.missing++;
          else stats.flagged++;
        }
      }
      const f = share[i];
      if (f !== f) continue;
      if (f < 0) { edge[r] |= 1; stats.left++; continue; }
      if (f > 1) { edge[r] |= 2; stats.right++; continue; }
      const j = k === GOOD ? r : rows + r;
      if (f < low[j]) low[j] = f;
      if (f > high[j]) high[j] = f;
      if (k === GOOD && s.used) {
        if (f < stats.low) stats.low = f;
        if (f > stats.high) stats.high = f;
      }
    }
    for (const [start, colour] of /** @type {[number, string][]} */ ([[rows, this.hole.head.grey], [0, s.colour]])) {
      g.fillStyle = colour;
      for (let r = 0; r < rows; r++) {
        const a = low[start + r];
        if (a === Infinity) continue;
        const x = t.x + a * inner;
        g.fillRect(x - 0.9, HEAD + r, Math.max(1.8, (high[start + r] - a) * inner + 1.8), 1.15);
      }
    }
  }

  /**
   * Single readings as marks, with their uncertainty where there is room.
   * @param {CanvasRenderingContext2D} g @param {Track} t @param {Series} s @param {number} first
   * @param {number} end @param {number} rows @param {number} inner @param {Uint8Array} worst
   */
  drawMarks(g, t, s, first, end, rows, inner, worst) {
    const scan = s.shape === "." || s.shape === "x";
    const apart = this.deep / Math.max(1, end - first);
    const radius = scan ? Math.min(3.2, Math.max(1.3, 0.32 * apart)) : 3.6;
    const stats = t.stats;
    for (const flagged of [true, false]) {
      const ink = flagged ? this.hole.head.grey : s.colour;
      for (let i = first; i < end; i++) {
        const k = s.kind[i];
        if ((k !== GOOD) !== flagged) continue;
        const y = this.y(s.at.depth[i]);
        const r = Math.min(rows - 1, Math.max(0, Math.floor(y - HEAD)));
        if (s.used) stats.n++;
        if (flagged && s.used) {
          if (k === MISSING) stats.missing++;
          else stats.flagged++;
          // As high as a mark, so that it is seen.
          for (let q = Math.max(0, r - 1); q <= Math.min(rows - 1, r + 1); q++) if (ORDER[k] > worst[q]) worst[q] = ORDER[k];
        }
        const f = s.share[i];
        if (f !== f) continue;
        if (f < 0 || f > 1) {
          if (f < 0) stats.left++;
          else stats.right++;
          arrow(g, f < 0 ? t.x + 2 : t.x + inner - 1, y, f < 0 ? -1 : 1);
          continue;
        }
        if (!flagged && s.used) {
          stats.low = Math.min(stats.low, f);
          stats.high = Math.max(stats.high, f);
        }
        const x = t.x + f * inner;
        if (!scan || radius > 2.6) this.drawError(g, t, s, i, y, inner, ink);
        mark(g, s.shape, x, y, radius, ink);
      }
    }
  }

  /**
   * Bar of one combined standard uncertainty; none where it is not known.
   * @param {CanvasRenderingContext2D} g @param {Track} t @param {Series} s @param {number} i
   * @param {number} y @param {number} inner @param {string} ink
   */
  drawError(g, t, s, i, y, inner, ink) {
    const u = Math.hypot(uncertainty(s.random[i]), uncertainty(s.systematic[i]));
    if (!(u > 0)) return;
    const v = s.value[i];
    const at = (/** @type {number} */ end) => {
      const share = t.log
        ? (Math.log10(Math.max(end, t.low / 10)) - Math.log10(t.low)) / (Math.log10(t.high) - Math.log10(t.low))
        : (end - t.low) / (t.high - t.low);
      return t.x + Math.min(1, Math.max(0, share)) * inner;
    };
    g.fillStyle = ink;
    g.globalAlpha = 0.55;
    g.fillRect(at(v - u), y - 0.4, at(v + u) - at(v - u), 0.8);
    g.globalAlpha = 1;
  }

  /** Numbers of readings off the scale, at the edges. @param {CanvasRenderingContext2D} g @param {Track} t @param {number} inner */
  drawFoot(g, t, inner) {
    g.font = `600 10px ${FONT}`;
    g.fillStyle = "#7d2b66";
    const y = HEAD + this.deep + 12;
    g.textAlign = "left";
    if (t.stats.left) g.fillText(`◂ ${t.stats.left}`, t.x + 2, y);
    g.textAlign = "right";
    if (t.stats.right) g.fillText(`${t.stats.right} ▸`, t.x + inner, y);
    g.textAlign = "left";
  }

  /** Ends of cores, sections and layers across the tracks. @param {CanvasRenderingContext2D} g */
  drawEnds(g) {
    const [first, last] = [this.shown[0], this.shown.at(-1)];
    if (!first || !last) return;
    const [left, right] = [first.x, last.x + last.width - 3];
    const perMetre = this.deep / (this.view.bottom - this.view.top);
    const line = (/** @type {number} */ depth, /** @type {string} */ colour, /** @type {number[]} */ dash) => {
      const y = Math.round(this.y(depth)) + 0.5;
      if (y < HEAD || y > HEAD + this.deep) return;
      g.strokeStyle = colour;
      g.setLineDash(dash);
      g.beginPath();
      g.moveTo(left, y);
      g.lineTo(right, y);
      g.stroke();
    };
    g.lineWidth = 1;
    for (const layer of this.hole.head.layers.slice(1)) if ((layer.bottom - layer.top) * perMetre > 4) line(layer.top, "#8b867b", [6, 4]);
    for (const s of this.hole.sections.values()) {
      if ((s.bottom - s.top) * perMetre < 14) continue;
      line(s.top, "#cbc5b8", [2, 3]);
      line(s.bottom, "#cbc5b8", [2, 3]);
    }
    for (const core of this.hole.head.cores) {
      if ((core.bottom - core.top) * perMetre > 26) line(core.top, "#b3ab9a", []);
    }
    g.setLineDash([]);
  }

  /** Shade the intervals that are to be excluded. @param {CanvasRenderingContext2D} g */
  drawRowsOn(g) {
    for (const [rows, colour] of /** @type {[Row[], string][]} */ ([[this.rows, "rgba(147,40,31,0.16)"], [this.pending, "rgba(0,90,140,0.16)"]])) {
      for (const row of rows) {
        const s = this.hole.sections.get(this.hole.placeCode(row.core, row.section));
        if (!s) continue;
        const depth = (/** @type {number} */ cm) => s.top + (cm / s.length) * (s.bottom - s.top);
        const [top, bottom] = [Math.max(HEAD, this.y(depth(row.from))), Math.min(HEAD + this.deep, this.y(depth(row.to)))];
        if (bottom <= top) continue;
        g.fillStyle = colour;
        for (const t of this.shown) {
          if (row.sensor === "" || row.sensor === t.sensor) g.fillRect(t.x, top, t.width - 3, Math.max(1.5, bottom - top));
        }
      }
    }
  }

  /** Overview of the hole, depth axis, cores and sections. */
  drawLeft() {
    const g = this.context(this.left);
    const { overview, axis, cores } = this.strip ?? { overview: 22, axis: 50, cores: 40 };
    g.clearRect(0, 0, overview + axis + cores, this.height);
    this.drawOverview(g, overview);
    const x = overview + axis;
    const { marks, places } = steps(this.view.top, this.view.bottom, this.deep / 60);
    g.fillStyle = SOFT;
    g.font = `11px ${FONT}`;
    g.textAlign = "right";
    g.strokeStyle = "#a59f93";
    g.lineWidth = 1;
    for (const depth of marks) {
      const y = Math.round(this.y(depth)) + 0.5;
      g.fillText(minus(depth.toFixed(places)), x - 8, y + 4);
      g.beginPath();
      g.moveTo(x - 5, y);
      g.lineTo(x, y);
      g.stroke();
    }
    g.fillStyle = INK;
    g.font = `600 11px ${FONT}`;
    g.fillText("depth", x - 6, HEAD - 30);
    g.fillStyle = SOFT;
    g.font = `11px ${FONT}`;
    g.fillText("[m]", x - 6, HEAD - 17);
    g.textAlign = "left";
    this.drawCores(g, x, cores);
  }

  /** @param {CanvasRenderingContext2D} g @param {number} x @param {number} width */
  drawCores(g, x, width) {
    const perMetre = this.deep / (this.view.bottom - this.view.top);
    const half = Math.floor(width / 2);
    g.save();
    g.beginPath();
    g.rect(x, HEAD, width, this.deep);
    g.clip();
    for (const core of this.hole.head.cores) {
      if (Math.max(core.bottom, core.reach) < this.view.top || core.top > this.view.bottom) continue;
      const [top, bottom, reach] = [this.y(core.top), this.y(core.bottom), this.y(core.reach)];
      g.fillStyle = core.grey;
      g.globalAlpha = 0.55;
      g.fillRect(x + 3, top, 5, Math.min(bottom, reach) - top);
      g.globalAlpha = 1;
      g.strokeStyle = "#8b867b";
      g.strokeRect(x + 3, top, 5, bottom - top);
      if (bottom - top > 11) {
        g.fillStyle = INK;
        g.font = `600 10px ${FONT}`;
        const middle = (Math.max(HEAD, top) + Math.min(HEAD + this.deep, bottom)) / 2;
        g.fillText(core.name, x + 11, middle + 4, half + 2);
      }
    }
    g.font = `10px ${FONT}`;
    for (const [place, s] of this.hole.sections) {
      if (s.bottom < this.view.top || s.top > this.view.bottom || (s.bottom - s.top) * perMetre < 13) continue;
      const [top, bottom] = [this.y(s.top), this.y(s.bottom)];
      g.strokeStyle = LINE;
      g.beginPath();
      g.moveTo(x + half + 6, Math.round(top) + 0.5);
      g.lineTo(x + width, Math.round(top) + 0.5);
      g.stroke();
      g.fillStyle = SOFT;
      const middle = (Math.max(HEAD, top) + Math.min(HEAD + this.deep, bottom)) / 2;
      g.fillText(this.hole.head.places[place][1], x + half + 8, middle + 4, half - 8);
    }
    g.restore();
    g.fillStyle = SOFT;
    g.font = `10px ${FONT}`;
    g.save();
    g.translate(x + 9, HEAD - 5);
    g.rotate(-Math.PI / 2);
    g.fillText("cores", 0, 0);
    g.translate(0, half + 3);
    if (width > 30) g.fillText("sections", 0, 0);
    g.restore();
  }

  /** @param {CanvasRenderingContext2D} g @param {number} width */
  drawOverview(g, width) {
    const { top, bottom } = this.limits;
    const rows = Math.max(1, Math.round(this.deep));
    if (!this.overview || this.overview.length !== rows) this.overview = this.flagsOfHole(rows);
    g.fillStyle = "#f6f3ec";
    g.fillRect(0, HEAD, width, this.deep);
    const at = (/** @type {number} */ depth) => HEAD + ((depth - top) / (bottom - top)) * this.deep;
    for (const core of this.hole.head.cores) {
      g.fillStyle = "#dcd6c9";
      g.fillRect(2, at(core.top), 5, Math.max(1, at(core.reach) - at(core.top) - 0.6));
    }
    drawFlags(g, this.overview, 9, width - 10);
    g.strokeStyle = "#1f4e6b";
    g.lineWidth = 1.5;
    g.fillStyle = "rgba(31,78,107,0.10)";
    const [y0, y1] = [at(this.view.top), at(this.view.bottom)];
    g.fillRect(0, y0, width, Math.max(2, y1 - y0));
    g.strokeRect(0.75, y0, width - 1.5, Math.max(2, y1 - y0));
    g.lineWidth = 1;
  }

  /** Worst flag in each row of the overview. @param {number} rows */
  flagsOfHole(rows) {
    const worst = new Uint8Array(rows);
    const perMetre = rows / (this.limits.bottom - this.limits.top);
    for (const t of this.shown) {
      for (const s of t.series) {
        if (!s.used) continue;
        for (let i = 0; i < s.kind.length; i++) {
          // Missing readings are everywhere between samples and would hide what is doubtful.
          if (s.kind[i] === GOOD || s.kind[i] === MISSING) continue;
          const r = Math.min(rows - 1, ((s.at.depth[i] - this.limits.top) * perMetre) | 0);
          if (ORDER[s.kind[i]] > worst[r]) worst[r] = ORDER[s.kind[i]];
        }
      }
    }
    return worst;
  }

  /** Line of the pointer, ring of the reading, box of a selection. */
  drawOver() {
    const g = this.context(this.over);
    g.clearRect(0, 0, this.mainWidth ?? 0, this.height);
    const shown = this.hovered ?? this.focus;
    if (this.pointer && !this.drag) {
      g.strokeStyle = "rgba(43,42,40,0.35)";
      g.beginPath();
      g.moveTo(0, Math.round(this.pointer.y) + 0.5);
      g.lineTo(this.mainWidth ?? 0, Math.round(this.pointer.y) + 0.5);
      g.stroke();
    }
    if (shown) {
      const [x, y] = this.spot(shown);
      if (y >= HEAD && y <= HEAD + this.deep) {
        g.strokeStyle = INK;
        g.lineWidth = 1.5;
        g.beginPath();
        g.arc(x, y, 6, 0, 2 * Math.PI);
        g.stroke();
        g.lineWidth = 1;
      }
    }
    if (this.drag && this.drag.kind !== "pan") {
      const { x0, y0, x1, y1 } = this.drag;
      const [left, wide] = this.drag.kind === "box" ? [Math.min(x0, x1), Math.abs(x1 - x0)] : [0, this.mainWidth ?? 0];
      g.fillStyle = "rgba(0,90,140,0.13)";
      g.strokeStyle = "rgba(0,90,140,0.8)";
      g.fillRect(left, Math.min(y0, y1), wide, Math.abs(y1 - y0));
      g.strokeRect(left + 0.5, Math.min(y0, y1) + 0.5, wide - 1, Math.abs(y1 - y0));
    }
  }

  /** Where a reading is drawn; at the edge when it is off the scale. @param {Reading} reading @returns {[number, number]} */
  spot(reading) {
    const t = this.hole.tracks[reading.track];
    const s = t.series[reading.series];
    const inner = t.width - GUTTER - 4;
    const f = s.share[reading.i];
    const x = f !== f ? inner + 6 : Math.min(1, Math.max(0, f)) * inner;
    return [t.x + x, this.y(s.at.depth[reading.i])];
  }

  // ----------------------------------------------------------------------------------------------
  // What is in view, and the reading in focus, in words.

  describeSoon() {
    clearTimeout(this.later);
    this.later = setTimeout(() => {
      this.summary.textContent = this.viewInWords();
      this.listeners.onView?.({ ...this.view });
      this.corePicker.value = this.coreInView();
    }, 250);
  }

  /** Name of the core that the view is of; empty for several. */
  coreInView() {
    const { top, bottom } = this.view;
    const seen = this.hole.head.cores.filter((c) => c.top < bottom && Math.max(c.bottom, c.reach) > top);
    // The view of a core ends a little beyond it.
    const most = seen.find((c) => Math.min(bottom, Math.max(c.bottom, c.reach)) - Math.max(top, c.top) > 0.9 * (bottom - top));
    return most ? most.name : "";
  }

  /** The view in words, for screen readers and below the tracks. */
  viewInWords() {
    const { top, bottom } = this.view;
    const places = bottom - top < 20 ? 2 : 1;
    const cores = this.hole.head.cores.filter((c) => c.top < bottom && Math.max(c.bottom, c.reach) > top).map((c) => c.name);
    const which = cores.length === 0 ? "no core" : cores.length === 1 ? `core ${cores[0]}` : `cores ${cores[0]} to ${cores.at(-1)}`;
    const parts = this.shown.map((t) => {
      const { n, flagged, missing, left, right, low, high } = t.stats;
      if (!n) return `${t.words}: no reading`;
      const ends = low <= high ? `, ${this.short(t, valueAt(t, low))} to ${this.short(t, valueAt(t, high))}${t.unit ? ` ${t.unit}` : ""}` : "";
      const more = [[flagged, "flagged"], [missing, "missing"], [left + right, "off the scale"]].filter(([k]) => k).map(([k, w]) => `, ${k} ${w}`).join("");
      return `${t.words}: ${n} reading${n === 1 ? "" : "s"}${ends}${more}`;
    });
    return `Depth ${minus(Math.max(top, this.hole.head.extent[0]).toFixed(places))} to ${minus(Math.min(bottom, this.hole.head.extent[1]).toFixed(places))} m, ${which}. ${parts.join("; ")}.`;
  }

  /** @param {Track} t @param {number} v */
  short(t, v) {
    const power = powerOf(v);
    const text = minus((v / 10 ** power).toPrecision(4).replace(/e.*/, ""));
    return power ? `${text} × ${tenTo(power)}` : text;
  }

  /** Lines about a reading. @param {Reading} reading @returns {string[]} */
  readingInWords(reading) {
    const t = this.hole.tracks[reading.track];
    const s = t.series[reading.series];
    const { i } = reading;
    const v = s.value[i];
    const power = powerOf(v);
    const unit = t.unit ? ` ${t.unit}` : "";
    const times = power ? ` × ${tenTo(power)}` : "";
    const u = (/** @type {number} */ code) => {
      const text = printedUncertainty(code, power);
      return text.startsWith("not") ? text : `± ${text}${times}${unit}`;
    };
    const place = this.hole.placeOf(s, i);
    const offset = s.at.offset[i];
    const reasons = s.reasons[s.reason[i]] ?? [];
    const level = this.hole.head.levels[String(s.flag[i])] ?? `flag ${s.flag[i]}`;
    const where = place ? `core ${place[0]}, section ${place[1]}${Number.isNaN(offset) ? "" : `, offset ${minus(String(tidy(offset)))} cm`}` : "by depth, without core and section";
    const lines = [
      `${t.words}, ${s.words}`,
      Number.isNaN(v) ? "no value" : `${printed(v, s.places, power)}${times}${unit}`,
      `random ${u(s.random[i])}`,
      `systematic ${u(s.systematic[i])}`,
      `${level}${reasons.length ? `: ${reasons.join(", ")}` : ""}`,
      where,
      `depth ${minus(s.at.depth[i].toFixed(3))} m`,
    ];
    const texts = Object.entries(s.at.texts).map(([k, c]) => [k.replaceAll("_", " "), c.words[c.codes[i]]]).filter(([, w]) => w);
    if (texts.length) lines.push(texts.map((pair) => pair.join(" ")).join(", "));
    const layer = this.hole.head.layers.find((l) => l.top <= s.at.depth[i] && s.at.depth[i] < l.bottom);
    if (layer) lines.push(layer.lithology ? `${layer.name}, ${layer.lithology}` : layer.name);
    return lines;
  }

  /** Words that a screen reader reads out. @param {string} words */
  announce(words) {
    this.reading.setAttribute("aria-live", "polite");
    this.reading.textContent = words;
  }

  /** Show a reading beside its place. @param {Reading | null} reading @param {boolean} [aloud] */
  showTip(reading, aloud = false) {
    if (!reading) {
      this.tip.hidden = true;
      return;
    }
    const lines = this.readingInWords(reading);
    const s = this.hole.tracks[reading.track].series[reading.series];
    this.tip.replaceChildren(...lines.map((line, k) => make("div", { className: ["cv-tip-name", "cv-tip-value"][k] ?? (k === 4 && s.kind[reading.i] !== GOOD ? "cv-tip-flag" : "") }, [line])));
    this.tip.hidden = false;
    const [x, y] = this.spot(reading);
    const left = this.left.clientWidth + x - this.scroller.scrollLeft;
    const beyond = left + 16 + this.tip.offsetWidth > this.stage.clientWidth;
    this.tip.style.left = `${Math.max(0, beyond ? left - 14 - this.tip.offsetWidth : left + 14)}px`;
    this.tip.style.top = `${Math.max(0, Math.min(y - 20, this.height - this.tip.offsetHeight - 4))}px`;
    this.reading.setAttribute("aria-live", aloud ? "polite" : "off");
    this.reading.textContent = lines.join(" · ");
  }

  /** Nearest reading to a point of the canvas. @param {number} x @param {number} y @returns {Reading | null} */
  near(x, y) {
    let best = null;
    let least = NEAREST ** 2;
    const [top, bottom] = [this.depthAt(y - NEAREST), this.depthAt(y + NEAREST)];
    this.hole.tracks.forEach((t, track) => {
      if (!t.shown || x < t.x || x > t.x + t.width) return;
      const inner = t.width - GUTTER - 4;
      t.series.forEach((s, series) => {
        const end = firstFrom(s.at.depth, bottom);
        for (let i = firstFrom(s.at.depth, top); i < end; i++) {
          const f = s.share[i];
          const at = t.x + (f !== f ? inner + 6 : Math.min(1, Math.max(0, f)) * inner);
          const far = (at - x) ** 2 + (this.y(s.at.depth[i]) - y) ** 2;
          // Samples lie over the scan.
          if (far < least || (far === least && s.shape === "o")) {
            least = far;
            best = { track, series, i };
          }
        }
      });
    });
    return best;
  }

  // ----------------------------------------------------------------------------------------------
  // Moving.

  /** @param {number} top @param {number} bottom */
  show(top, bottom) {
    const most = this.limits.bottom - this.limits.top;
    const span = Math.min(most, Math.max(LEAST_SPAN, bottom - top));
    const middle = (top + bottom) / 2;
    let start = middle - span / 2;
    start = Math.max(this.limits.top, Math.min(start, this.limits.bottom - span));
    this.view = span === most ? { ...this.limits } : { top: start, bottom: start + span };
    if (this.hovered) { this.hovered = null; this.tip.hidden = true; }
    this.draw();
    if (this.focus && !this.tip.hidden) this.showTip(this.focus);
  }

  reset() {
    this.focus = null;
    this.tip.hidden = true;
    this.show(this.limits.top, this.limits.bottom);
  }

  /** @param {string} name */
  showCore(name) {
    const core = this.hole.head.cores.find((c) => c.name === name);
    if (!core) return this.reset();
    const bottom = Math.max(core.bottom, core.reach);
    const room = 0.02 * (bottom - core.top);
    return this.show(core.top - room, bottom + room);
  }

  /** @param {number} factor @param {number} [at] */
  zoom(factor, at) {
    const held = this.focus ? this.hole.tracks[this.focus.track].series[this.focus.series].at.depth[this.focus.i] : NaN;
    const inView = held >= this.view.top && held <= this.view.bottom;
    const fixed = at ?? (inView ? held : (this.view.top + this.view.bottom) / 2);
    const most = this.limits.bottom - this.limits.top;
    const span = this.view.bottom - this.view.top;
    const f = Math.min(most / span, Math.max(LEAST_SPAN / span, factor));
    this.show(fixed - (fixed - this.view.top) * f, fixed + (this.view.bottom - fixed) * f);
  }

  /** @param {number} share Part of the view by which it moves down. */
  pan(share) {
    const by = share * (this.view.bottom - this.view.top);
    this.show(this.view.top + by, this.view.bottom + by);
  }

  /** All flagged readings of the chosen tracks in order of depth. @returns {Reading[]} */
  flaggedReadings() {
    if (!this.flagged) {
      /** @type {Reading[]} */
      const found = [];
      this.hole.tracks.forEach((t, track) => {
        if (!t.shown || (this.filter && t.name !== this.filter)) return;
        t.series.forEach((s, series) => {
          if (!s.used) return;
          for (let i = 0; i < s.kind.length; i++) if (s.kind[i] !== GOOD) found.push({ track, series, i });
        });
      });
      const depth = (/** @type {Reading} */ r) => this.hole.tracks[r.track].series[r.series].at.depth[r.i];
      found.sort((a, b) => depth(a) - depth(b) || a.track - b.track || a.series - b.series || a.i - b.i);
      this.flagged = found;
    }
    return this.flagged;
  }

  countFlagged() {
    let n = 0;
    for (const t of this.shown) {
      if (this.filter && t.name !== this.filter) continue;
      for (const s of t.series) if (s.used) for (let i = 0; i < s.kind.length; i++) if (s.kind[i] !== GOOD) n++;
    }
    this.flaggedCount.textContent = `${n} flagged`;
  }

  /** Go to the next (1) or previous (-1) flagged reading. @param {1 | -1} step */
  nextFlagged(step) {
    const list = this.flaggedReadings();
    if (!list.length) {
      this.announce("No flagged reading in these tracks.");
      return;
    }
    const depth = (/** @type {Reading} */ r) => this.hole.tracks[r.track].series[r.series].at.depth[r.i];
    const { focus } = this;
    let place = focus ? list.findIndex((r) => r.track === focus.track && r.series === focus.series && r.i === focus.i) : -1;
    if (place >= 0) place += step;
    else {
      const whole = this.view.top === this.limits.top && this.view.bottom === this.limits.bottom;
      const from = focus ? depth(focus) : whole ? (step > 0 ? this.limits.top : this.limits.bottom) : (this.view.top + this.view.bottom) / 2;
      place = list.findIndex((r) => depth(r) >= from);
      if (place < 0) place = list.length;
      if (step < 0) place -= 1;
    }
    place = (place + list.length) % list.length;
    this.goTo(list[place]);
    this.flaggedCount.textContent = `${place + 1} of ${list.length} flagged`;
  }

  /** Show a reading in the middle of the view, in words too. @param {Reading} reading */
  goTo(reading) {
    const d = this.hole.tracks[reading.track].series[reading.series].at.depth[reading.i];
    const span = this.view.bottom - this.view.top;
    const wanted = span > 10 ? 3 : span;
    this.focus = reading;
    this.focusTrack = Math.max(0, this.shown.indexOf(this.hole.tracks[reading.track]));
    this.hovered = null;
    this.pointer = null;
    const inside = d > this.view.top + 0.1 * span && d < this.view.bottom - 0.1 * span;
    if (!inside || wanted !== span) this.show(d - wanted / 2, d + wanted / 2);
    else this.draw();
    const t = this.hole.tracks[reading.track];
    const { scrollLeft, clientWidth } = this.scroller;
    if (t.x < scrollLeft || t.x + t.width > scrollLeft + clientWidth) this.scroller.scrollLeft = t.x - 20;
    this.showTip(reading, true);
  }

  /** Next (1) or previous (-1) reading of the track in focus. @param {1 | -1} step */
  stepReading(step) {
    const t = this.shown[this.focusTrack];
    if (!t) return;
    const track = this.hole.tracks.indexOf(t);
    const series = this.focus && this.focus.track === track ? this.focus.series : 0;
    const { depth } = t.series[series].at;
    const from = this.focus && this.focus.track === track ? this.focus.i + step : firstFrom(depth, (this.view.top + this.view.bottom) / 2);
    if (depth.length) this.goTo({ track, series, i: Math.min(depth.length - 1, Math.max(0, from)) });
  }

  // ----------------------------------------------------------------------------------------------
  // Pointer and keys.

  listen() {
    const point = (/** @type {any} */ event) => {
      const box = this.main.getBoundingClientRect();
      return { x: event.clientX - box.left, y: event.clientY - box.top };
    };
    this.main.addEventListener("wheel", (/** @type {WheelEvent} */ event) => {
      const sideways = event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY);
      const whole = this.view.top === this.limits.top && this.view.bottom === this.limits.bottom;
      // The page goes on scrolling where it was being scrolled, and where there is nothing to zoom.
      if (sideways || (whole && event.deltaY > 0) || event.timeStamp - this.elsewhere < 400) {
        if (event.timeStamp - this.elsewhere < 400) this.elsewhere = event.timeStamp;
        return;
      }
      event.preventDefault();
      const by = event.deltaY * (event.deltaMode === 1 ? 16 : event.deltaMode === 2 ? 400 : 1);
      this.zoom(Math.exp(Math.max(-1, Math.min(1, 0.002 * by))), this.depthAt(point(event).y));
    }, { passive: false });
    this.onElsewhere = (/** @type {WheelEvent} */ event) => {
      if (!this.stage.contains(event.target)) this.elsewhere = event.timeStamp;
    };
    window.addEventListener("wheel", this.onElsewhere, { passive: true });
    this.main.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
      if (event.button !== 0) return;
      this.main.focus({ preventScroll: true });
      const { x, y } = point(event);
      const kind = event.shiftKey ? "interval" : this.mode || "pan";
      this.drag = { kind, x0: x, y0: y, x1: x, y1: y, top: this.view.top, bottom: this.view.bottom };
      this.main.setPointerCapture(event.pointerId);
    });
    this.main.addEventListener("pointermove", (/** @type {PointerEvent} */ event) => this.moved(point(event)));
    this.main.addEventListener("pointerup", (/** @type {PointerEvent} */ event) => this.released(point(event)));
    this.main.addEventListener("pointercancel", () => { this.drag = null; this.drawOver(); });
    this.main.addEventListener("pointerleave", () => {
      if (this.drag) return;
      this.pointer = null;
      this.hovered = null;
      this.showTip(this.focus);
      this.drawOver();
    });
    this.main.addEventListener("dblclick", () => this.reset());
    this.main.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => this.pressed(event));
    this.main.addEventListener("focus", () => this.draw());
    this.main.addEventListener("blur", () => this.draw());
    this.scroller.addEventListener("scroll", () => this.showTip(this.hovered ?? this.focus));
    this.left.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
      this.left.setPointerCapture(event.pointerId);
      this.leap(event);
    });
    this.left.addEventListener("pointermove", (/** @type {PointerEvent} */ event) => { if (event.buttons & 1) this.leap(event); });
    this.resized = new ResizeObserver(() => {
      const width = this.root.clientWidth;
      if (!this.printing && width && width !== this.lastWidth) this.layout();
    });
    this.resized.observe(this.root);
    this.onPrint = () => { this.printing = true; this.layout(); };
    this.onPrinted = () => { this.printing = false; this.layout(); };
    window.addEventListener("beforeprint", this.onPrint);
    window.addEventListener("afterprint", this.onPrinted);
  }

  /** Let go of everything outside the element. */
  close() {
    this.resized?.disconnect();
    clearTimeout(this.later);
    if (this.onElsewhere) window.removeEventListener("wheel", this.onElsewhere);
    if (this.onPrint) window.removeEventListener("beforeprint", this.onPrint);
    if (this.onPrinted) window.removeEventListener("afterprint", this.onPrinted);
  }

  /** Move the view to a place of the overview. @param {PointerEvent} event */
  leap(event) {
    const box = this.left.getBoundingClientRect();
    if (event.clientX - box.left > (this.strip?.overview ?? 22) + 6) return;
    const share = (event.clientY - box.top - HEAD) / this.deep;
    const depth = this.limits.top + share * (this.limits.bottom - this.limits.top);
    const span = Math.min(this.view.bottom - this.view.top, 0.2 * (this.limits.bottom - this.limits.top));
    this.show(depth - span / 2, depth + span / 2);
  }

  /** @param {{x: number, y: number}} at */
  moved(at) {
    if (this.drag) {
      [this.drag.x1, this.drag.y1] = [at.x, at.y];
      if (this.drag.kind === "pan") {
        const by = ((this.drag.y0 - at.y) / this.deep) * (this.drag.bottom - this.drag.top);
        if (Math.abs(at.y - this.drag.y0) > 2) this.show(this.drag.top + by, this.drag.bottom + by);
      } else this.drawOver();
      return;
    }
    this.pointer = at.y >= HEAD && at.y <= HEAD + this.deep ? at : null;
    this.hovered = this.pointer ? this.near(at.x, at.y) : null;
    this.showTip(this.hovered ?? this.focus);
    this.drawOver();
  }

  /** @param {{x: number, y: number}} at */
  released(at) {
    const { drag } = this;
    this.drag = null;
    if (!drag) return;
    const far = Math.hypot(at.x - drag.x0, at.y - drag.y0);
    if (far < 4) {
      // A click keeps the reading in focus.
      const found = this.near(at.x, at.y);
      if (found) {
        this.focus = found;
        this.focusTrack = Math.max(0, this.shown.indexOf(this.hole.tracks[found.track]));
        this.showTip(found, true);
      }
    } else if (drag.kind !== "pan") {
      const [top, bottom] = [this.depthAt(Math.min(drag.y0, at.y)), this.depthAt(Math.max(drag.y0, at.y))];
      const box = drag.kind === "box";
      const rows = box ? this.inBox(drag.x0, drag.y0, at.x, at.y) : this.hole.intervals(top, bottom);
      this.propose(rows);
      if (!rows.length) this.announce(`${box ? "No reading with a core and section lies in the box" : "No section lies between these depths"}; nothing is marked.`);
    }
    this.draw();
  }

  /**
   * Intervals that hold the readings of one track inside a box, one for each section.
   * @param {number} x0 @param {number} y0 @param {number} x1 @param {number} y1 @returns {Row[]}
   */
  inBox(x0, y0, x1, y1) {
    const middle = (x0 + x1) / 2;
    const t = this.shown.find((one) => middle >= one.x && middle <= one.x + one.width);
    if (!t) return [];
    const [low, high] = [Math.min(x0, x1), Math.max(x0, x1)];
    const [top, bottom] = [this.depthAt(Math.min(y0, y1)), this.depthAt(Math.max(y0, y1))];
    const track = this.hole.tracks.indexOf(t);
    /** @type {Map<number, [number, number]>} */
    const found = new Map();
    t.series.forEach((s, series) => {
      const end = firstFrom(s.at.depth, bottom);
      for (let i = firstFrom(s.at.depth, top); i < end; i++) {
        const [x] = this.spot({ track, series, i });
        const [place, offset] = [s.at.place[i], s.at.offset[i]];
        if (x < low || x > high || place < 0 || Number.isNaN(offset)) continue;
        const ends = found.get(place) ?? [Infinity, -Infinity];
        found.set(place, [Math.min(ends[0], offset), Math.max(ends[1], offset)]);
      }
    });
    return [...found].map(([place, [from, to]]) => ({ ...this.around(place, from, to), sensor: t.sensor }));
  }

  /** Interval of a section around readings: an end of its own for a single one. @param {number} place @param {number} from @param {number} to */
  around(place, from, to) {
    const length = this.hole.sections.get(place)?.length ?? Infinity;
    // An interval has a length; a tenth of a centimetre each way holds one reading only.
    return this.hole.row(place, Math.max(0, from - 0.1), Math.min(length, to + 0.1));
  }

  /** @param {KeyboardEvent} event */
  pressed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    /** @type {Record<string, () => void>} */
    const acts = {
      ArrowDown: () => this.pan(0.15), ArrowUp: () => this.pan(-0.15),
      PageDown: () => this.pan(0.9), PageUp: () => this.pan(-0.9),
      ArrowRight: () => this.chooseTrack(1), ArrowLeft: () => this.chooseTrack(-1),
      "+": () => this.zoom(1 / 1.6), "=": () => this.zoom(1 / 1.6), "-": () => this.zoom(1.6),
      n: () => this.nextFlagged(1), p: () => this.nextFlagged(-1),
      ".": () => this.stepReading(1), ",": () => this.stepReading(-1),
      Home: () => { const s = this.view.bottom - this.view.top; this.show(this.limits.top, this.limits.top + s); },
      End: () => { const s = this.view.bottom - this.view.top; this.show(this.limits.bottom - s, this.limits.bottom); },
      0: () => this.reset(), m: () => this.markFocus(), Escape: () => this.escape(),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  }

  /** @param {number} step */
  chooseTrack(step) {
    const last = this.shown.length - 1;
    this.focusTrack = Math.max(0, Math.min(last, this.focusTrack + step));
    const t = this.shown[this.focusTrack];
    if (!t) return;
    this.announce(`track ${t.words}`);
    if (t.x + t.width > this.scroller.scrollLeft + this.scroller.clientWidth || t.x < this.scroller.scrollLeft) this.scroller.scrollLeft = t.x - 20;
    this.draw();
  }

  escape() {
    if (this.drag) this.drag = null;
    else if (this.pending.length) this.propose([]);
    else if (this.mode) this.setMode(this.mode);
    else if (this.focus) { this.focus = null; this.tip.hidden = true; }
    else this.reset();
    this.draw();
  }

  /** Switch a way of marking on, or off again. @param {string} mode */
  setMode(mode) {
    this.mode = this.mode === mode ? "" : mode;
    for (const [name, b] of [["interval", this.markInterval], ["box", this.markBox]]) b.setAttribute("aria-pressed", String(this.mode === name));
    this.main.classList.toggle("cv-marking", this.mode !== "");
  }

  // ----------------------------------------------------------------------------------------------
  // Exclusions.

  /** Propose the reading in focus. */
  markFocus() {
    if (!this.focus) return;
    const t = this.hole.tracks[this.focus.track];
    const s = t.series[this.focus.series];
    const place = s.at.place[this.focus.i];
    const offset = s.at.offset[this.focus.i];
    if (place < 0 || Number.isNaN(offset)) {
      this.announce("This reading has a depth only; exclusions are given by core and section.");
      return;
    }
    this.propose([{ ...this.around(place, offset, offset), sensor: t.sensor }]);
  }

  addByHand() {
    const middle = (this.view.top + this.view.bottom) / 2;
    const all = [...this.hole.sections];
    const here = all.find(([, s]) => s.top <= middle && middle <= s.bottom) ?? all[0];
    if (here) this.propose([...this.pending, this.hole.row(here[0], 0, Math.min(1, here[1].length))]);
  }

  /** Rows that wait for a reason. @param {Row[]} rows */
  propose(rows) {
    this.pending = rows;
    this.drawForm();
    this.draw();
    if (rows.length) this.form.querySelector("input.cv-reason")?.focus({ preventScroll: true });
  }

  drawForm() {
    const rows = this.pending;
    this.form.hidden = rows.length === 0;
    if (!rows.length) return this.form.replaceChildren();
    const sensors = [...new Set(this.hole.tracks.map((t) => t.sensor).filter(Boolean))];
    const shared = rows.every((r) => r.sensor === rows[0].sensor) ? rows[0].sensor : "";
    const sensor = make("select", { "aria-label": "readings that are excluded", onchange: () => { rows.forEach((r) => { r.sensor = sensor.value; }); refresh(); } }, [
      make("option", { value: "" }, ["all sensors"]),
      ...sensors.map((name) => make("option", { value: name }, [`${name.replaceAll("_", " ")} only`])),
    ]);
    sensor.value = shared;
    rows.forEach((r) => { r.sensor = shared; });
    const reason = make("input", { type: "text", className: "cv-reason", placeholder: "reason, in a few words", "aria-label": "reason of the exclusion", size: 34 });
    const who = make("input", { type: "text", className: "cv-who", placeholder: "who", "aria-label": "who excludes", size: 10, value: this.who ?? "" });
    const trouble = make("span", { className: "cv-trouble", role: "alert" });
    /** @type {(() => void)[]} */
    const counters = [];
    const refresh = () => { counters.forEach((count) => count()); this.draw(); };
    const lines = rows.map((row) => {
      const count = make("span", { className: "cv-count" });
      counters.push(() => { const n = this.hole.count(row); count.textContent = `${n} reading${n === 1 ? "" : "s"}`; });
      const place = make("select", { "aria-label": "core and section", onchange: () => { [row.core, row.section] = this.hole.head.places[Number(place.value)]; refresh(); } },
        [...this.hole.sections.keys()].map((code) => make("option", { value: String(code) }, [`core ${this.hole.head.places[code][0]}, section ${this.hole.head.places[code][1]}`])));
      place.value = String(this.hole.placeCode(row.core, row.section));
      const end = (/** @type {"from" | "to"} */ name) => {
        const box = make("input", { type: "number", step: "0.1", value: String(row[name]), "aria-label": `${name} [cm]`, onchange: () => { row[name] = Number(box.value); refresh(); } });
        return box;
      };
      const drop = make("button", { type: "button", "aria-label": "leave this interval out", onclick: () => this.propose(this.pending.filter((r) => r !== row)) }, ["×"]);
      return make("div", { className: "cv-pending" }, [place, end("from"), "to", end("to"), "cm", count, drop]);
    });
    const accept = make("button", { type: "submit", className: "cv-accept" }, ["exclude"]);
    const cancel = make("button", { type: "button", onclick: () => this.propose([]) }, ["cancel"]);
    // Ends are checked below, in words: a section may end between two steps of a box.
    const form = make("form", {
      noValidate: true,
      onsubmit: (/** @type {Event} */ event) => {
        event.preventDefault();
        const fault = this.faultOf(rows, reason.value);
        trouble.textContent = fault;
        if (fault) return;
        this.who = who.value;
        this.accept(rows.map((r) => ({ ...r, reason: reason.value.trim(), who: who.value.trim() })));
      },
      // Sent here, since a notebook may keep Enter from a form.
      onkeydown: (/** @type {KeyboardEvent} */ event) => {
        event.stopPropagation();
        if (event.key === "Escape") this.propose([]);
        if (event.key !== "Enter" || !(event.target instanceof HTMLInputElement)) return;
        event.preventDefault();
        // A number that was just typed counts.
        event.target.dispatchEvent(new Event("change"));
        form.requestSubmit(accept);
      },
    }, [...lines, make("div", { className: "cv-line" }, [sensor, reason, who, accept, cancel, trouble])]);
    this.form.replaceChildren(form);
    refresh();
  }

  /** What is wrong with rows, in words; empty if nothing is. @param {Row[]} rows @param {string} reason */
  faultOf(rows, reason) {
    if (!reason.trim()) return "The reason is empty; give it in a few words.";
    for (const r of rows) {
      const length = this.hole.sections.get(this.hole.placeCode(r.core, r.section))?.length ?? Infinity;
      if (!(r.to > r.from) || r.from < 0) return `The interval is ${r.from} to ${r.to} cm; its end has to lie below its start, and its start must not be negative.`;
      if (r.to > length + 1e-4) return `The interval is ${r.from} to ${r.to} cm; core ${r.core}, section ${r.section} is ${length} cm long.`;
    }
    return "";
  }

  /** @param {Row[]} rows */
  accept(rows) {
    this.pending = [];
    this.setRows([...this.rows, ...rows]);
    this.drawForm();
    this.main.focus({ preventScroll: true });
    this.listeners.onRows?.(this.rows);
  }

  /** Replace all rows. @param {Row[]} rows */
  setRows(rows) {
    this.rows = rows;
    this.drawRows();
    this.draw();
  }

  drawRows() {
    if (!this.rows.length) return this.table.replaceChildren();
    const remove = (/** @type {number} */ k) => {
      this.setRows(this.rows.filter((_, i) => i !== k));
      this.listeners.onRows?.(this.rows);
    };
    const body = this.rows.map((r, k) =>
      make("tr", {}, [
        ...[r.core, r.section, decimal(r.from), decimal(r.to), r.reason, r.sensor.replaceAll("_", " ") || "all", r.who, String(this.hole.count(r))].map((text) => make("td", {}, [text])),
        make("td", {}, [make("button", { type: "button", "aria-label": `remove interval ${k + 1}`, onclick: () => remove(k) }, ["remove"])]),
      ]));
    const heads = [...HEADER, "readings", ""].map((text) => make("th", { scope: "col" }, [text]));
    const text = csvText(this.rows);
    const area = make("textarea", { className: "cv-csv", readOnly: true, rows: this.rows.length + 1, value: text, "aria-label": "rows of exclusions.csv" });
    const copy = make("button", { type: "button", onclick: async () => {
      area.select();
      try { await navigator.clipboard.writeText(text); } catch { document.execCommand("copy"); }
      copy.textContent = "copied";
    } }, ["copy rows"]);
    const save = make("a", { className: "cv-download", download: "exclusions.csv", href: `data:text/csv;charset=utf-8,${encodeURIComponent(`${text}\n`)}` }, ["download exclusions.csv"]);
    return this.table.replaceChildren(
      make("p", { className: "cv-caption" }, [`${this.rows.length} interval${this.rows.length === 1 ? "" : "s"} to exclude. ${this.words}`]),
      make("table", {}, [make("thead", {}, [make("tr", {}, heads)]), make("tbody", {}, body)]),
      area, make("div", { className: "cv-line" }, [copy, save]),
    );
  }

  async loadPhotos() {
    for (const p of this.hole.head.pictures) {
      if (!p.bytes || this.photos.has(p.file)) continue;
      const part = this.hole.body.subarray(p.bytes[0], p.bytes[0] + p.bytes[1]);
      try {
        this.photos.set(p.file, await createImageBitmap(new Blob([/** @type {BlobPart} */ (part)], { type: "image/jpeg" })));
      } catch {
        continue; // its frame stays
      }
    }
    this.draw();
  }
}

// Rank of a kind of flag in the bar, and the kind of a rank: what is bad hides what is suspect.
const ORDER = { [GOOD]: 0, [MISSING]: 1, [OTHER]: 2, [DOUBTED]: 3, [BAD]: 4 };
const RANK = [GOOD, MISSING, OTHER, DOUBTED, BAD];

/**
 * Hand over each run of rows with the same code; rows of code 0 are left out.
 * @param {Uint8Array} codes @param {(code: number, from: number, high: number) => void} draw
 */
function stripes(codes, draw) {
  let from = 0;
  for (let r = 1; r <= codes.length; r++) {
    if (r < codes.length && codes[r] === codes[from]) continue;
    if (codes[from]) draw(codes[from], from, r - from);
    from = r;
  }
}

/** Bar of the worst flags of rows. @param {CanvasRenderingContext2D} g @param {Uint8Array} worst @param {number} x @param {number} room */
function drawFlags(g, worst, x, room) {
  stripes(worst, (rank, from, high) => {
    const kind = /** @type {1} */ (RANK[rank]);
    g.fillStyle = FLAG[kind];
    g.fillRect(x, HEAD + from, Math.min(FLAG_WIDTH[kind], room), high);
  });
}

/** Symbol of a reading. @param {CanvasRenderingContext2D} g @param {string} shape @param {number} x @param {number} y @param {number} r @param {string} ink */
function mark(g, shape, x, y, r, ink) {
  g.beginPath();
  if (shape === "x") {
    g.moveTo(x - r, y - r);
    g.lineTo(x + r, y + r);
    g.moveTo(x - r, y + r);
    g.lineTo(x + r, y - r);
  } else if (shape === "D") {
    g.moveTo(x, y - r - 0.6);
    g.lineTo(x + r + 0.6, y);
    g.lineTo(x, y + r + 0.6);
    g.lineTo(x - r - 0.6, y);
    g.closePath();
  } else g.arc(x, y, r, 0, 2 * Math.PI);
  if (shape === ".") {
    g.fillStyle = ink;
    g.fill();
    return;
  }
  g.fillStyle = "#ffffff";
  if (shape !== "x") g.fill();
  g.strokeStyle = ink;
  g.lineWidth = 1.2;
  g.stroke();
  g.lineWidth = 1;
}

/** Triangle at the edge of a track. @param {CanvasRenderingContext2D} g @param {number} x @param {number} y @param {1 | -1} side */
function arrow(g, x, y, side) {
  g.fillStyle = "#7d2b66";
  g.beginPath();
  g.moveTo(x, y);
  g.lineTo(x - 6 * side, y - 3.5);
  g.lineTo(x - 6 * side, y + 3.5);
  g.closePath();
  g.fill();
}

/** First of some texts that fits, written upward. @param {CanvasRenderingContext2D} g @param {string[]} texts @param {number} x @param {number} y @param {number} room */
function upright(g, texts, x, y, room) {
  g.font = `10px ${FONT}`;
  const fits = texts.find((text) => g.measureText(text).width <= room);
  if (!fits) return;
  g.save();
  g.translate(x, y);
  g.rotate(-Math.PI / 2);
  g.fillStyle = INK;
  g.textAlign = "center";
  g.fillText(fits, 0, 0);
  g.restore();
}

/** Words in lines that fit. @param {CanvasRenderingContext2D} g @param {string} words @param {number} room @returns {string[]} */
function broken(g, words, room) {
  /** @type {string[]} */
  const lines = [];
  for (const word of words.split(" ")) {
    const last = lines.at(-1);
    if (last !== undefined && g.measureText(`${last} ${word}`).width <= room) lines[lines.length - 1] = `${last} ${word}`;
    else lines.push(word);
  }
  if (lines.length > 2) {
    let rest = lines.slice(1).join(" ");
    while (rest.length > 1 && g.measureText(`${rest}…`).width > room) rest = rest.slice(0, -1);
    return [lines[0], `${rest}…`];
  }
  return lines;
}

/** Pattern of a hatch. @param {CanvasRenderingContext2D} g @param {string} hatch @returns {CanvasPattern} */
function hatchOf(g, hatch) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const p = /** @type {CanvasRenderingContext2D} */ (tile.getContext("2d"));
  p.strokeStyle = "#4a4843";
  p.lineWidth = 1;
  p.beginPath();
  for (const shift of [-8, 0, 8]) {
    if (hatch === "/" || hatch === "x") { p.moveTo(shift, 8); p.lineTo(shift + 8, 0); }
    if (hatch === "\\" || hatch === "x") { p.moveTo(shift, 0); p.lineTo(shift + 8, 8); }
    if (hatch === "|") { p.moveTo(4, 0); p.lineTo(4, 8); }
  }
  p.stroke();
  return /** @type {CanvasPattern} */ (g.createPattern(tile, "repeat"));
}

// ------------------------------------------------------------------------------------------------
// In a page, and in a notebook.

/**
 * Show a package in an element.
 * @param {HTMLElement} root @param {Uint8Array} packed
 * @param {{onRows?: (rows: Row[]) => void, onView?: (view: View) => void, words?: string}} [listeners]
 */
export async function mount(root, packed, listeners) {
  const { head, body } = await unpack(packed);
  const viewer = new Viewer(root, new Hole(head, body), listeners);
  Reflect.set(root, "viewer", viewer);
  root.dataset.ready = performance.now().toFixed(0);
  return viewer;
}

/** Show the package that stands in a page. @param {string} name */
export async function mountPage(name) {
  for (const root of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(`[id="${name}"]`))) {
    const data = root.querySelector(".corephys-viewer-data");
    if (data) await mount(root, fromBase64(data.textContent ?? ""));
  }
}

export default {
  /** @param {{model: any, el: HTMLElement}} given */
  async render({ model, el }) {
    const root = document.createElement("div");
    root.className = "corephys-viewer";
    el.append(root);
    const bytes = model.get("package");
    const packed = new Uint8Array(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    const viewer = await mount(root, packed, {
      onRows: (rows) => { model.set("rows", rows); model.save_changes(); },
      onView: ({ top, bottom }) => { model.set("seen", [top, bottom]); model.save_changes(); },
      words: "They are in the exclusions of this viewer in Python; its save(folder) adds them to exclusions.csv.",
    });
    viewer.setRows(model.get("rows"));
    const rows = () => viewer.setRows(model.get("rows"));
    const wanted = () => { const [top, bottom] = model.get("wanted"); viewer.show(top, bottom); };
    model.on("change:rows", rows);
    model.on("change:wanted", wanted);
    return () => {
      model.off("change:rows", rows);
      model.off("change:wanted", wanted);
      viewer.close();
    };
  },
};
