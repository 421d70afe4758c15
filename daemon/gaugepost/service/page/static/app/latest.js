// Runs something at once, and again when it was wanted meanwhile; never twice at a time, and no oftener than every `restMs`.

export function latest(run, restMs = 0) {
  let going = false;
  let wanted = false;
  let timer = 0;
  let ended = false;
  let began = -Infinity;

  async function begin() {
    timer = 0;
    going = true;
    wanted = false;
    began = performance.now();
    try {
      await run();
    } finally {
      going = false;
      if (wanted && !ended) ask();
    }
  }

  function ask() {
    if (ended) return;
    if (going || timer) {
      wanted = true;
      return;
    }
    const rest = began + restMs - performance.now();
    if (rest <= 0) void begin();
    else timer = setTimeout(begin, rest);
  }

  ask.end = () => {
    ended = true;
    clearTimeout(timer);
  };
  return ask;
}
