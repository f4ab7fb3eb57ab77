// The office's person at a computer: signed in on the office's pages.

import { startPhone } from './stage.mjs';

let desks = 0;

/** Signs in with a new one-time code, does something there, and is gone. */
export async function atTheDesk({ shop, office }, body) {
  desks += 1;
  const desk = await startPhone(`desk-${desks}`);
  try {
    const page = await desk.newPage();
    await page.setViewportSize({ width: 1100, height: 900 });
    await page.goto(`${shop}/office/first`);
    await page.locator('input[name=code]').fill(office('office', 'device', 'code', 'Odile Marsh').code);
    await page.locator('input[name=passphrase]').fill('four invented plain words');
    await page.locator('input[name=again]').fill('four invented plain words');
    await page.locator('main button').click();
    await page.waitForURL(/\/office$/);
    return await body(page);
  } finally {
    await desk.close();
  }
}
