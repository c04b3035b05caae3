// Keeps the sheet new: figures by server-sent events as they come, ages by the second,
// everything else by fetching the same page again each half minute. Without it the page
// says the same, a minute later.
'use strict';
(() => {
  const AGAIN = 30000;
  const long = (seconds) => {
    const s = Math.max(0, Math.floor(seconds));
    if (s < 120) return s + ' s';
    if (s < 7200) return Math.floor(s / 60) + ' min';
    if (s < 172800) return Math.floor(s / 3600) + ' h';
    return Math.floor(s / 86400) + ' d';
  };
  // The server's clock rules: a telephone that is wrong must not age the values.
  let ahead = 0;
  const ages = () => {
    for (const time of document.querySelectorAll('time[data-age]')) {
      const text = long((Date.now() - ahead - Date.parse(time.dateTime)) / 1000);
      if (time.textContent !== text) time.textContent = text;
    }
  };
  const tell = (row) => {
    const key = [row.station, row.instrument, row.quantity, row.statistic, row.over || '', row.period || ''].join('/');
    for (const figure of document.querySelectorAll('[data-key="' + CSS.escape(key) + '"]')) {
      const { factor, zero, decimals, unit } = figure.dataset;
      const known = row.value !== null && row.fresh;
      let text = '\u2013';
      if (known) {
        text = (row.value * Number(factor) + Number(zero)).toFixed(Number(decimals));
        if (/^-[0.]*$/.test(text)) text = text.slice(1);
        if (row.quantity === 'wind_from_direction' && text === '0') text = '360';
        text = text.replace('-', '\u2212') + unit;
      }
      if (figure.textContent !== text) figure.textContent = text;
      figure.classList.toggle('doubted', row.flag !== 'good' && row.flag !== 'unchecked');
      const line = figure.closest('tr');
      const time = line && line.querySelector('time[data-age]');
      if (time && row.time > time.dateTime) time.dateTime = row.time;
    }
  };
  const reveal = () => {
    for (const out of document.querySelectorAll('.readout')) out.hidden = false;
  };
  let fetching = false;
  const again = async () => {
    if (fetching || document.hidden) return;
    fetching = true;
    try {
      const answer = await fetch(location.href, { cache: 'no-store' });
      if (!answer.ok) return;
      const date = Date.parse(answer.headers.get('date'));
      if (!Number.isNaN(date)) ahead = Math.round((Date.now() - date) / 1000) * 1000;
      const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
      for (const id of ['truth', 'stations', 'diagnoses', 'panes', 'morning', 'pairs', 'outlook', 'days', 'rose']) {
        const old = document.getElementById(id);
        const made = fresh.getElementById(id);
        if (!old || !made || old.contains(document.activeElement)) continue;
        const open = [...old.querySelectorAll('details')].map((d) => d.open);
        old.replaceChildren(...made.childNodes);
        [...old.querySelectorAll('details')].forEach((d, n) => { d.open = open[n] || false; });
        reveal();
      }
    } catch (_) {
      // The service is away; what stands there keeps its age.
    } finally {
      fetching = false;
    }
  };
  const read = (event) => {
    const slot = event.target.closest && event.target.closest('.slot');
    if (!slot) return;
    const title = slot.querySelector('title');
    const panes = slot.closest('#panes');
    const out = panes && panes.querySelector('.readout');
    if (!title || !out) return;
    for (const other of panes.querySelectorAll('.slot.read')) other.classList.remove('read');
    // The same slot of every pane is read at once.
    const place = [...slot.parentNode.querySelectorAll('.slot')].indexOf(slot);
    const texts = [];
    for (const pane of panes.querySelectorAll('.pane')) {
      const same = pane.querySelectorAll('.slot')[place];
      if (!same) continue;
      same.classList.add('read');
      texts.push(same.querySelector('title').textContent);
    }
    const span = texts.length ? texts[0].split(': ')[0] : '';
    out.textContent = span + ': ' + texts.map((t) => t.split(': ').slice(1).join(': ')).join('; ');
  };
  document.addEventListener('pointerover', read);
  document.addEventListener('pointerdown', read);
  reveal();
  const events = new EventSource('/v1/live');
  events.addEventListener('latest', (event) => tell(JSON.parse(event.data)));
  setInterval(ages, 1000);
  setInterval(again, AGAIN);
})();
