// Two short tones, made on the spot: a high one for a reading taken, a low double one for one to look at.

class Sounds {
  // Browsers let a page sound only after a key or a click: the first key press calls this.
  wake() {
    this.context ??= new AudioContext();
    if (this.context.state === "suspended") this.context.resume();
  }

  taken() {
    this.tone(1320, 0, 0.06);
  }

  apart() {
    this.tone(330, 0, 0.12);
    this.tone(330, 0.18, 0.12);
  }

  tone(hertz, after, seconds) {
    if (!this.context) return;
    const start = this.context.currentTime + after;
    const source = this.context.createOscillator();
    const gain = this.context.createGain();
    source.frequency.value = hertz;
    gain.gain.setValueAtTime(0.2, start);
    gain.gain.exponentialRampToValueAtTime(0.001, start + seconds); // fades, or it would click
    source.connect(gain).connect(this.context.destination);
    source.start(start);
    source.stop(start + seconds);
  }

  dispose() {
    this.context?.close();
  }
}
