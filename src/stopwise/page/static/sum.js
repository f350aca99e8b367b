// Light adds: pictures of single lamps, weighed and summed, and shown as the page's other pictures are.
const KNEE = 0.6; // as report/drawable.py bends tones
const SHADES = 4096; // steps of the curve of a screen
const RIMS = [0xff000000, 0xffffffff]; // dashes of a rim are seen on every ground

const CURVE = Uint8ClampedArray.from({ length: SHADES + 1 }, (_, step) => {
  const linear = step / SHADES;
  return 255 * (linear <= 0.0031308 ? 12.92 * linear : 1.055 * linear ** (1 / 2.4) - 0.055); // IEC 61966-2-1
});

export class Sum {
  // `levels` holds uint16 (lights, channels, rows, columns), each light from its least to its most;
  // then (rows, columns), above 0 where it isn't to be trusted. `every` leaves out what is between.
  constructor(set, levels, canvas, every = 1) {
    const { channels } = set;
    const [columns, rows] = [set.columns, set.rows].map((side) => Math.floor(side / every));
    Object.assign(this, { set, columns, rows, area: columns * rows });
    const size = channels * this.area;
    const taken = every === 1 ? levels : thinned(levels, set, every, columns, rows);
    this.lights = set.lights.map(({ lamp, gain, least, most }, place) => ({ lamp, gain, least, step: (most - least) / 65535, levels: taken.subarray(place * size, (place + 1) * size) }));
    this.doubted = taken.subarray(set.lights.length * size);
    this.light = new Float32Array(size);
    this.rest = new Float32Array(size);
    this.restOf = null; // whose light the rest leaves out, and the gains of the others
    Object.assign(canvas, { width: columns, height: rows });
    this.canvas = canvas;
    this.context = canvas.getContext("2d", { alpha: false });
    this.image = new ImageData(columns, rows);
    this.out = new Uint32Array(this.image.data.buffer);
    this.isClipped = new Uint8Array(this.area);
  }

  // Paint the picture of stops by channel, one list a light; null where it is off.
  paint(stops) {
    this.add(this.lights.map(({ gain }, place) => Array.from({ length: this.set.channels }, (_, channel) => (stops[place] ? gain * 2 ** stops[place][channel] : 0))));
    this.draw();
  }

  // Where one lamp alone has changed, the sum of the others stands from before.
  add(gains) {
    const before = this.gains;
    this.gains = gains;
    const moved = before ? gains.flatMap((gain, place) => (String(gain) === String(before[place]) ? [] : [place])) : [];
    if (before && !moved.length) return;
    if (moved.length !== 1) {
      this.restOf = null;
      return this.total(this.light, gains, -1);
    }
    if (this.restOf !== moved[0]) this.total(this.rest, gains, moved[0]);
    [this.restOf] = moved;
    this.light.set(this.rest);
    this.one(this.light, moved[0], gains[moved[0]]);
  }

  total(sum, gains, without) {
    sum.fill(0);
    gains.forEach((gain, place) => place === without || this.one(sum, place, gain));
  }

  one(sum, place, gain) {
    const { levels, least, step } = this.lights[place];
    gain.forEach((by, channel) => {
      const base = by * least;
      const factor = by * step;
      const end = (channel + 1) * this.area;
      if (by) for (let at = channel * this.area; at < end; at++) sum[at] += base + factor * levels[at];
    });
  }

  draw() {
    const { light, area, out, isClipped } = this;
    const { ceiling, channels } = this.set;
    const [[rr, rg, rb], [gr, gg, gb], [br, bg, bb]] = this.set.to_screen;
    const [most0, most1, most2] = channels === 3 ? ceiling : [ceiling[0], ceiling[0], ceiling[0]];
    const [second, third] = channels === 3 ? [area, 2 * area] : [0, 0];
    for (let at = 0; at < area; at++) {
      const r = light[at];
      const g = light[at + second];
      const b = light[at + third];
      const isFull = r >= most0 || g >= most1 || b >= most2;
      const x = r < most0 ? r : most0;
      const y = g < most1 ? g : most1;
      const z = b < most2 ? b : most2;
      let red = rr * x + rg * y + rb * z;
      let green = gr * x + gg * y + gb * z;
      let blue = br * x + bg * y + bb * z;
      if (red < 0) red = 0;
      if (green < 0) green = 0;
      if (blue < 0) blue = 0;
      const peak = red > green ? (red > blue ? red : blue) : green > blue ? green : blue;
      if (isFull) red = green = blue = peak; // what is clipped has no colour
      const over = peak - KNEE;
      const bent = over > 0 ? (SHADES * (KNEE + ((1 - KNEE) * over) / (over + 1 - KNEE))) / peak : SHADES;
      out[at] = 0xff000000 | (CURVE[(blue * bent) | 0] << 16) | (CURVE[(green * bent) | 0] << 8) | CURVE[(red * bent) | 0]; // every machine with a browser is little-ended
      isClipped[at] = isFull ? 1 : 0;
    }
    this.outline();
    if (this.set.doubts.length) this.hatch();
    this.context.putImageData(this.image, 0, 0);
  }

  // Clipped areas have a rim, light within dark, and are clean inside.
  outline() {
    const { isClipped, out, columns, rows } = this;
    for (let row = 1; row < rows - 1; row++) {
      for (let at = row * columns + 1; at < (row + 1) * columns - 1; at++) {
        if (!isClipped[at] || (isClipped[at - 1] && isClipped[at + 1] && isClipped[at - columns] && isClipped[at + columns])) continue;
        out[at] = RIMS[(at + row) % 6 < 3 ? 0 : 1];
      }
    }
  }

  // Where the sum isn't to be trusted.
  hatch() {
    const { doubted, out, area, columns } = this;
    for (let at = 0; at < area; at++) {
      if (doubted[at] && (at + Math.floor(at / columns)) % 5 === 0) [out[at]] = RIMS;
    }
  }
}

function thinned(levels, set, every, columns, rows) {
  const planes = levels.length / (set.columns * set.rows);
  const few = new Uint16Array(planes * columns * rows);
  let to = 0;
  for (let plane = 0; plane < planes; plane++) {
    for (let row = 0; row < rows; row++) {
      const from = (plane * set.rows + row * every) * set.columns;
      for (let column = 0; column < columns; column++) few[to++] = levels[from + column * every];
    }
  }
  return few;
}
