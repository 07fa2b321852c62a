
(() => {
  "use strict";
  // Times stand on the page in UTC; here they are said in the screen's own time, and how long ago.
  const ago = (minutes) => {
    if (minutes < 1) return "just now";
    if (minutes < 90) return `${Math.round(minutes)} min ago`;
    if (minutes < 48 * 60) return `${Math.round(minutes / 60)} h ago`;
    return `${Math.round(minutes / 1440)} days ago`;
  };
  const say = () => {
    for (const time of document.querySelectorAll("time[datetime]")) {
      const when = new Date(time.dateTime);
      const minutes = (Date.now() - when) / 60000;
      const own = minutes < 1000
        ? when.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })
        : when.toLocaleDateString([], { month: "short", day: "numeric" });
      time.textContent = `${own}, ${ago(minutes)}`;
    }
  };
  // A wall has no scroll bar: where the words need more room than there is, all become smaller.
  const root = document.documentElement;
  const upright = matchMedia("(max-aspect-ratio: 1/1)");
  const fit = () => {
    root.style.removeProperty("--fit");
    if (upright.matches) return;
    for (let share = 1; share > 0.5 && root.scrollHeight > innerHeight; share -= 0.02) {
      root.style.setProperty("--fit", share.toFixed(2));
    }
  };
  say();
  fit();
  addEventListener("resize", fit);
  setInterval(say, 20000);
  document.documentElement.dataset.ready = "yes";
})();
