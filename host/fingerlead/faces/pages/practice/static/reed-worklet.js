// The reed, sample by sample. The phase runs on through a change and the spectrum crosses over within a millisecond,
// so that nothing clicks. Masks come as messages; null is silence; all holes open rests the reed after a second.

const FRAMES = 4096; // as in waves.js
const FADE_S = 0.2;
const RISE_S = 0.008;
const HANDS_OFF_S = 1;
const LEVEL_UP_S = 0.3;
const CLICK_S = 0.03;

const SILENT = new Float32Array(FRAMES + 1);

class Reed extends AudioWorkletProcessor {
  constructor() {
    super();
    Object.assign(this, {
      hz: Array(256).fill(0), tables: [SILENT], tableOf: Array(256).fill(0), gain: 0, step: 1 / 48,
      drone: SILENT, droneHz: 0, mixed: 1, drones: 0, wantsDrones: false, dronePhase: 0,
      mask: null, phase: 0, from: SILENT, to: SILENT, across: 1, sounding: 0, wanted: 0, offSince: -1,
      level: 0, wantsLevel: 0.1, beat: null, beatFrame: 0, clickAge: -1, clickHz: 0,
      spare: [new Float32Array(FRAMES + 1), new Float32Array(FRAMES + 1)],
    });
    this.port.onmessage = ({ data }) => this.told(data);
  }

  told({ mask, voice, level, drones, beat }) {
    if (voice) this.setVoice(voice);
    if (level !== undefined) this.wantsLevel = Math.min(1, level);
    if (drones !== undefined) this.wantsDrones = drones;
    if (beat !== undefined) {
      this.beat = beat;
      this.beatFrame = 0;
    }
    if (mask !== undefined) this.cover(mask);
  }

  setVoice({ hz, tableOf, tables, gain, crossfadeUs, drone, droneHz, mixed }) {
    Object.assign(this, { hz, tableOf, tables, gain, drone: drone ?? SILENT, droneHz, mixed });
    this.step = 1e6 / (crossfadeUs * sampleRate);
    if (this.mask != null) this.turnTo(this.tables[this.tableOf[this.mask]]);
  }

  cover(mask) {
    this.offSince = mask === 0 ? currentFrame : -1;
    if (mask == null || (mask === 0 && this.wanted === 0)) {
      this.wanted = 0;
      return;
    }
    this.mask = mask;
    this.wanted = 1;
    this.turnTo(this.tables[this.tableOf[mask]]);
  }

  turnTo(table) {
    if (table === this.to) return;
    if (this.across < 1) this.mix();
    else this.from = this.to;
    this.to = table;
    this.across = 0;
  }

  // A change inside a crossing-over goes on from the mixture as it sounds.
  mix() {
    const mixture = this.spare.find((one) => one !== this.from);
    for (let i = 0; i <= FRAMES; i++) mixture[i] = this.from[i] + (this.to[i] - this.from[i]) * this.across;
    this.from = mixture;
  }

  process(_, [[out]]) {
    const fall = 1 / (FADE_S * sampleRate);
    const rise = 1 / (RISE_S * sampleRate);
    if (this.offSince >= 0 && currentFrame - this.offSince > HANDS_OFF_S * sampleRate) this.wanted = 0;
    for (let i = 0; i < out.length; i++) {
      this.sounding += this.wanted > this.sounding ? Math.min(rise, this.wanted - this.sounding)
        : -Math.min(fall, this.sounding - this.wanted);
      const droneWanted = this.wantsDrones ? this.wanted : 0;
      this.drones += droneWanted > this.drones ? Math.min(rise / 20, droneWanted - this.drones)
        : -Math.min(fall, this.drones - droneWanted);
      const climb = 1 / (LEVEL_UP_S * sampleRate);
      this.level += Math.max(-climb * 4, Math.min(climb, this.wantsLevel - this.level));
      let sample = 0;
      if (this.sounding > 0) {
        const at = this.phase * FRAMES;
        const index = Math.floor(at);
        const part = at - index;
        const next = this.to[index] + (this.to[index + 1] - this.to[index]) * part;
        if (this.across < 1) {
          const before = this.from[index] + (this.from[index + 1] - this.from[index]) * part;
          sample = before + (next - before) * this.across;
          this.across = Math.min(1, this.across + this.step);
        } else {
          sample = next;
        }
        sample *= this.sounding;
        this.phase += this.hz[this.mask] / sampleRate;
        this.phase -= Math.floor(this.phase);
      }
      if (this.drones > 0) {
        sample += this.drone[Math.floor(this.dronePhase * FRAMES)] * this.drones;
        sample *= 1 + (this.mixed - 1) * this.drones;
        this.dronePhase += this.droneHz / sampleRate;
        this.dronePhase -= Math.floor(this.dronePhase);
      }
      sample = sample * this.gain + this.click();
      out[i] = Math.max(-0.9, Math.min(0.9, sample * this.level));
    }
    return true;
  }

  click() {
    if (!this.beat) return 0;
    const parts = Math.max(1, this.beat.subdivision ?? 1);
    const every = Math.round((60 * sampleRate) / (this.beat.bpm * parts));
    if (this.beatFrame % every === 0) {
      const number = this.beatFrame / every;
      this.clickAge = 0;
      if (number % parts === 0) this.port.postMessage({ click: true });
      this.clickHz = number % parts ? 900 : (number / parts) % Math.max(1, this.beat.beats ?? 4) ? 1200 : 1800;
    }
    this.beatFrame += 1;
    if (this.clickAge < 0) return 0;
    const t = this.clickAge++ / sampleRate;
    if (t > CLICK_S) this.clickAge = -1;
    return 0.15 * Math.exp(-t * 160) * Math.sin(2 * Math.PI * this.clickHz * t);
  }
}

registerProcessor("reed", Reed);
