// Small things that every module uses.
const $ = (id) => document.getElementById(id);
const fill = (text, values) => text.replace(/\{(\w+)\}/g, (all, name) => values[name] ?? all);
const nth = (words, number) => words.times.split(" ")[number - 1] ?? String(number);
const self = (item) => item;

// The last of a sorted list that isn't after a time; -1 before the first.
function lastAt(list, time, start = (item) => item[0]) {
  let low = -1, high = list.length;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (start(list[middle]) <= time) low = middle; else high = middle;
  }
  return low;
}
