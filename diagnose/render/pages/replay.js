"use strict";
// The flight again, for the debrief: the deck, all of it seen, nothing to call, and the lines as they were by then.
(() => {
  const lines = [...document.querySelectorAll("#lines > div")];
  const since = (box) => Number(box.dataset.from);
  deck.state.furthest = deck.data.seconds;
  deck.start({
    drawn(second) {
      const now = lines.findLast((box) => since(box) <= second);
      for (const box of lines) if (box.hidden !== (box !== now)) box.hidden = box !== now;
    },
  });
})();
