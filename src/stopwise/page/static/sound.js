// Sound cues, off until asked for: two short low knocks, and a slow falling pair for a lamp out.
let context = null;

export function toggleSound() {
  if (context) {
    context.close();
    context = null;
  } else {
    context = new AudioContext();
    knock();
  }
  return context !== null;
}

export const knock = () => strike([[0, 96, 0.09], [0.15, 96, 0.09]]);
export const lampOut = () => strike([[0, 120, 0.3], [0.36, 74, 0.5]]);

function strike(beats) {
  if (!context) return;
  const start = context.currentTime + 0.02;
  for (const [after, hertz, length] of beats) {
    const tone = context.createOscillator();
    const gain = context.createGain();
    tone.frequency.value = hertz;
    gain.gain.setValueAtTime(0.0001, start + after);
    gain.gain.exponentialRampToValueAtTime(0.5, start + after + 0.008);
    gain.gain.exponentialRampToValueAtTime(0.0001, start + after + length);
    tone.connect(gain).connect(context.destination);
    tone.start(start + after);
    tone.stop(start + after + length + 0.02);
  }
}
