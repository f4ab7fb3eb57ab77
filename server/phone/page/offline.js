// Keeping the page itself for no signal: puts up the service worker, and tells when a newer page waits.

let registration = null;
let waiting = null;

/** Puts up the service worker; `moved` is told when a newer page waits, or no longer does. A browser without one, or an address
 * that is not safe, still has the page while there is a signal. */
export async function keepPage(moved) {
  if (!navigator.serviceWorker) return;
  try {
    registration = await navigator.serviceWorker.register('sw.js', { updateViaCache: 'none' });
    const look = () => {
      const before = waiting;
      ({ waiting } = registration);
      if (waiting !== before) moved();
    };
    look();
    registration.addEventListener('updatefound', () => { registration.installing?.addEventListener('statechange', look); });
  } catch (error) {
    console.warn(error);
  }
}

/** Looks whether the shop has a newer page: a phone may keep this one open for weeks. Without a signal there is nothing to say. */
export function lookForNewer() {
  registration?.update().catch(() => {});
}

/** Whether this page is kept, and whether a newer one waits. */
export const kept = () => ({ kept: !!navigator.serviceWorker?.controller, newer: !!waiting });

/** Changes to the newer page. What was kept in the book is in the book. */
export function loadNewer() {
  navigator.serviceWorker.addEventListener('controllerchange', () => { location.reload(); });
  waiting?.postMessage('take over');
}
