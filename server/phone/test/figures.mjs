// Figures: what the phone downloads, cold load and time to interactive, and a reading kept, with the CPU four times slower.

import assert from 'node:assert/strict';

import { begin, through } from './hands.mjs';
import { heading, startPhone, tap } from './stage.mjs';

const SLOWER = 4;
const median = (list) => [...list].sort((a, b) => a - b)[Math.floor(list.length / 2)];

export async function measure(url) { return { url }; }
