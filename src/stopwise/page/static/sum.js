// Light adds: pictures of single lamps, weighed and summed, and shown as the page's other pictures are.
const KNEE = 0.6; // as report/drawable.py bends tones
const SHADES = 4096; // steps of the curve of a screen

const CURVE = Uint8ClampedArray.from({ length: SHADES + 1 }, (_, step) => {
  const linear = step / SHADES;
  return 255 * (linear <= 0.0031308 ? 12.92 * linear : 1.055 * linear ** (1 / 2.4) - 0.055); // IEC 61966-2-1
});

export class Sum {
  // `bytes` holds uint16 (lights, channels, rows, columns), little end first, each light from its
  // least to its most; then (rows, columns), above 0 where a solo is clipped.
  constructor(set, bytes, canvas) {
    const { columns, rows, channels } = set;
    this.set = set;
    this.area = columns * rows;
    const levels = littleEnded(bytes);
    const size = channels * this.area;
    this.lights = set.lights.map(({ lamp, gain, least, most }, place) => {
      const own = levels.subarray(place * size, (place + 1) * size);
      return { lamp, gain, light: Float32Array.from(own, (level) => least + ((most - least) * level) / 65535) };
    });
    this.doubted = levels.subarray(set.lights.length * size);
    this.light = new Float32Array(size);
    this.rest = new Float32Array(size);
    this.restOf = null; // whose light the rest leaves out, and the gains of the others
    this.context = canvas.getContext("2d");
    this.image = new ImageData(columns, rows);
    this.isClipped = new Uint8Array(this.area);
  }

  // Paint the picture of turns, stops by lamp from where each stands now.
  paint(turns) {
    const gains = this.lights.map(({ lamp, gain }) => gain * 2 ** (turns[lamp] ?? 0));
    this.add(gains);
    this.draw();
  }

  // Where one lamp alone has changed, the sum of the others stands from before.
  add(gains) {
    const before = this.gains;
    this.gains = gains;
    const moved = before ? gains.flatMap((gain, place) => (gain === before[place] ? [] : [place])) : [];
    if (before && !moved.length) return;
    const one = moved.length === 1 ? moved[0] : -1;
    if (one >= 0 && this.restOf !== one) {
      this.total(this.rest, gains, one);
      this.restOf = one;
    } else if (one < 0) this.restOf = null;
    if (one < 0) return this.total(this.light, gains, -1);
    const { light, rest } = this;
    const own = this.lights[one].light;
    const gain = gains[one];
    for (let at = 0; at < light.length; at++) light[at] = rest[at] + gain * own[at];
  }

  total(sum, gains, without) {
    sum.fill(0);
    this.lights.forEach(({ light }, place) => {
      const gain = gains[place];
      if (place !== without) for (let at = 0; at < sum.length; at++) sum[at] += gain * light[at];
    });
  }

  draw() {
    const { light, area, image, isClipped } = this;
    const { ceiling, channels } = this.set;
    const [[rr, rg, rb], [gr, gg, gb], [br, bg, bb]] = this.set.to_screen;
    const [most0, most1, most2] = channels === 3 ? ceiling : [ceiling[0], ceiling[0], ceiling[0]];
    const [second, third] = channels === 3 ? [area, 2 * area] : [0, 0];
    const out = image.data;
    for (let at = 0, to = 0; at < area; at++, to += 4) {
      const r = light[at];
      const g = light[at + second];
      const b = light[at + third];
      const isFull = r >= most0 || g >= most1 || b >= most2;
      const x = r < most0 ? r : most0;
      const y = g < most1 ? g : most1;
      const z = b < most2 ? b : most2;
      let red = Math.max(rr * x + rg * y + rb * z, 0);
      let green = Math.max(gr * x + gg * y + gb * z, 0);
      let blue = Math.max(br * x + bg * y + bb * z, 0);
      const peak = Math.max(red, green, blue, 1e-9);
      const over = peak - KNEE;
      const bent = over > 0 ? (KNEE + ((1 - KNEE) * over) / (over + 1 - KNEE)) / peak : 1;
      if (isFull) red = green = blue = peak; // what is clipped has no colour
      out[to] = CURVE[(red * bent * SHADES) | 0];
      out[to + 1] = CURVE[(green * bent * SHADES) | 0];
      out[to + 2] = CURVE[(blue * bent * SHADES) | 0];
      out[to + 3] = 255;
      isClipped[at] = isFull ? 1 : 0;
    }
    this.outline();
    this.hatch();
    this.context.putImageData(image, 0, 0);
  }

  // Clipped areas have a rim, light within dark, and are clean inside.
  outline() {
    const { isClipped, image } = this;
    const { columns, rows } = this.set;
    for (let row = 1; row < rows - 1; row++) {
      for (let at = row * columns + 1; at < (row + 1) * columns - 1; at++) {
        if (!isClipped[at] || (isClipped[at - 1] && isClipped[at + 1] && isClipped[at - columns] && isClipped[at + columns])) continue;
        const shade = (at + row) % 6 < 3 ? 0 : 255; // dashes are seen on every ground
        image.data.fill(shade, 4 * at, 4 * at + 3);
      }
    }
  }

  // Where a solo was clipped the sum is a lower bound.
  hatch() {
    const { doubted, image, area } = this;
    const { columns } = this.set;
    for (let at = 0; at < area; at++) {
      if (doubted[at] && (at + Math.floor(at / columns)) % 5 === 0) image.data.fill(0, 4 * at, 4 * at + 3);
    }
  }
}

function littleEnded(bytes) {
  const isLittle = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;
  if (isLittle) return new Uint16Array(bytes);
  const view = new DataView(bytes);
  return Uint16Array.from({ length: bytes.byteLength / 2 }, (_, at) => view.getUint16(2 * at, true));
}
