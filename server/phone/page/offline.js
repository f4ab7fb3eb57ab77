// Keeping the page itself for no signal: puts up the service worker, and tells when a newer page waits.

let waiting = null;

/** Puts up the service worker. A browser without one, or an address that is not safe, still has the page while there is a signal. */
export async function keepPage() {
  if (!navigator.serviceWorker) return;
  try {
    const registration = await navigator.serviceWorker.register('sw.js', { updateViaCache: 'none' });
    const look = () => { waiting = registration.waiting; };
    look();
    registration.addEventListener('updatefound', () => { registration.installing?.addEventListener('statechange', look); });
  } catch (error) {
    console.warn(error);
  }
}

/** Whether this page is kept, and whether a newer one waits. */
export const kept = () => ({ kept: !!navigator.serviceWorker?.controller, newer: !!waiting });

/** Changes to the newer page. What was kept in the book is in the book. */
export function loadNewer() {
  navigator.serviceWorker.addEventListener('controllerchange', () => { location.reload(); });
  waiting?.postMessage('take over');
}
