// Keeps the screen on while the page is before the user, where the browser can.
const awake = async () => {
  if (shown() && navigator.wakeLock) await navigator.wakeLock.request('screen').catch(() => {});
};
document.addEventListener('visibilitychange', awake);
awake();
