// Before anything is drawn: light or dark as somebody chose here, else as the computer is set.
(() => {
  try {
    const chosen = JSON.parse(localStorage.getItem("gaugepost") || "{}").scheme;
    if (chosen === "light" || chosen === "dark") document.documentElement.dataset.scheme = chosen;
  } catch { /* nothing is kept here: the computer's own setting holds */ }
})();
