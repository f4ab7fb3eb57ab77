// The look that the person chose: day, or dusk, dark with the same contrast. Before anything is drawn, so that nothing flashes.
document.documentElement.dataset.theme = (() => {
  try {
    return localStorage.getItem('theme') === 'dusk' ? 'dusk' : 'day';
  } catch {
    return 'day';
  }
})();
