// One period of each sound as a table of samples, made from the voice's harmonics before the audio thread needs it.

export const FRAMES = 4096;
const HIGHEST_PART_OF_RATE = 0.45;
const SINE = Float64Array.from({ length: FRAMES }, (_, i) => Math.sin((2 * Math.PI * i) / FRAMES));

// A sample is the sum over k of amplitudes[k-1] · sin(2π k phase + phases[k-1]); harmonics that would fold back are left out.
function wave(amplitudes, phases, hz, rateHz) {
  const table = new Float32Array(FRAMES + 1);
  const most = Math.min(amplitudes.length, Math.floor((HIGHEST_PART_OF_RATE * rateHz) / hz), FRAMES / 2 - 1);
  for (let k = 1; k <= most; k++) {
    const along = amplitudes[k - 1] * Math.cos(phases?.[k - 1] ?? 0);
    const across = amplitudes[k - 1] * Math.sin(phases?.[k - 1] ?? 0);
    for (let i = 0; i < FRAMES; i++) {
      const at = (k * i) % FRAMES;
      table[i] += along * SINE[at] + across * SINE[(at + FRAMES / 4) % FRAMES];
    }
  }
  table[FRAMES] = table[0];
  return table;
}

// The host's voice as the worklet takes it.
export function wavesOf(voice, rateHz) {
  const sharpestHz = voice.spectra.map(() => 1);
  voice.spectrum_of.forEach((spectrum, mask) => {
    sharpestHz[spectrum] = Math.max(sharpestHz[spectrum], voice.hz[mask]);
  });
  const { drones } = voice;
  return {
    hz: voice.hz, tableOf: voice.spectrum_of, gain: voice.gain,
    crossfadeUs: Math.min(voice.crossfade_us, 1_000),
    tables: voice.spectra.map((amplitudes, i) => wave(amplitudes, voice.phases, sharpestHz[i], rateHz)),
    drone: drones ? wave(drones.amplitudes, voice.phases, drones.hz, rateHz) : null,
    droneHz: drones?.hz ?? 0, mixed: drones?.mixed_gain ?? 1,
  };
}
