// Runs beside the sound: hands on what the microphone hears, with the frame of the sound's clock at which it was heard.
registerProcessor("take", class extends AudioWorkletProcessor {
  process([input]) {
    if (input[0]) this.port.postMessage([currentFrame, input[0].slice()]);
    return true;
  }
});
