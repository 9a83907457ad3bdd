// Sends a file chunk by chunk to the address it is given and goes on where a broken connection stopped.
// One instance for each place on the page; it is called again whenever what it is told has changed.

const instances = new WeakMap();
const BREATHS_MS = [500, 1000, 2000, 4000, 8000];
const SILENCE_MS = 60000; // a phone that has changed networks may wait for ever on the old one

// Some browsers keep nothing for pages; then a file begins anew after the page was closed.
const memory = {
  get(key) { try { return localStorage.getItem(key); } catch { return null; } },
  set(key, value) { try { localStorage.setItem(key, value); } catch { /* nothing to be done */ } },
  forget(key) { try { localStorage.removeItem(key); } catch { /* nothing to be done */ } },
};

function encoded(text) {
  return btoa(String.fromCharCode(...new TextEncoder().encode(text)));
}

class Refused extends Error {}

class Uploader {
  constructor(root) {
    this.input = root.querySelector('input');
    this.label = root.querySelector('label span');
    this.hint = root.querySelector('.sc-upload-hint');
    this.bar = root.querySelector('progress');
    this.words = root.querySelector('.sc-upload-words');
    this.fault = root.querySelector('.sc-upload-fault');
    this.stop = root.querySelector('button');
    this.file = null;
    this.input.addEventListener('change', () => this.send(this.input.files[0]));
    this.stop.addEventListener('click', () => this.cancel());
    const drop = root.querySelector('label');
    drop.addEventListener('dragover', (event) => event.preventDefault());
    drop.addEventListener('drop', (event) => {
      event.preventDefault();
      if (!this.input.disabled) this.send(event.dataTransfer.files[0]);
    });
  }

  tell(data, done) {
    this.data = data;
    this.done = done;
    this.label.textContent = data.label;
    this.hint.textContent = data.hint;
    this.input.accept = data.accept;
    this.input.setAttribute('aria-label', data.label);
  }

  show(words, share = null) {
    this.words.textContent = words;
    this.bar.hidden = this.stop.hidden = this.file === null;
    this.input.disabled = this.file !== null;
    if (share === null) this.bar.removeAttribute('value'); else this.bar.value = share;
  }

  end(fault = '') {
    this.file = this.request = null;
    this.input.value = '';
    this.fault.textContent = fault;
    this.fault.hidden = !fault;
    this.show('');
  }

  // Only the server knows whether the file was still to be stopped.
  async cancel() {
    const {address, file} = this;
    const key = this.remembered(file);
    this.file = null;
    this.request?.abort();
    this.end();
    this.input.disabled = true; // another file could meet what is being removed
    this.words.textContent = 'Stopping ...';
    await this.pending?.catch(() => null);
    const outcome = await this.forget(address);
    this.input.disabled = false;
    if (outcome === 'gone') memory.forget(key);
    this.words.textContent = {
      gone: 'Stopped. Nothing was kept.',
      arrived: 'It was too late to stop: the file was taken in.',
      unknown: 'It could not be stopped: the server does not answer. Load the page again.',
    }[outcome];
    if (outcome !== 'arrived') return;
    memory.forget(key);
    this.done(address.split('/').pop());
  }

  // Gives what became of an upload that is not wanted any more: 'gone', 'arrived' or 'unknown'.
  async forget(address) {
    for (const wait of BREATHS_MS) {
      const answer = await this.ask(address, 'DELETE').catch(() => null);
      if (answer && answer.status === 200) return 'arrived';
      if (answer && (answer.status === 204 || answer.status === 404)) return 'gone';
      await new Promise((resolve) => setTimeout(resolve, wait));
    }
    return 'unknown';
  }

  ask(address, method) {
    this.pending = fetch(address, {method, credentials: 'same-origin'});
    return this.pending;
  }

  // What an upload of the same file has reached before the page was closed lies under its own address.
  remembered(file) {
    return `strokecurve ${this.data.place} ${file.name} ${file.size} ${file.lastModified}`;
  }

  async send(file) {
    if (!file) return;
    this.end();
    if (file.size > this.data.most_bytes) return this.end(this.data.too_large);
    if (!file.size) return this.end(this.data.empty);
    this.file = file;
    this.show('Starting the upload ...');
    const key = this.remembered(file);
    try {
      this.address = this.data.address;
      const earlier = memory.get(key);
      const known = earlier ? await this.reached(earlier, file).catch(() => 0) : null;
      if (known !== null) this.address = earlier;
      else await this.forget(this.address); // another file may have begun here
      memory.set(key, this.address);
      await this.persist(file);
      memory.forget(key);
      if (this.file !== file) return;
      this.end();
      this.done(this.address.split('/').pop());
    } catch (error) {
      if (this.file !== file) return;
      if (error instanceof Refused) memory.forget(key);
      this.end(error instanceof Refused ? error.message
        : 'The connection broke and could not be made again. Choose the same file again: what has arrived is kept.');
    }
  }

  // How far a file has come at an address; null if it cannot be gone on with.
  async reached(address, file) {
    const answer = await this.ask(address, 'HEAD');
    if (answer.status === 423) throw new Error('busy');
    if (!answer.ok) return null;
    const length = answer.headers.get('Upload-Length');
    if (length !== null && Number(length) !== file.size) return null;
    return Number(answer.headers.get('Upload-Offset'));
  }

  async persist(file) {
    let tries = 0;
    let offset = null;
    while (this.file === file) {
      try {
        if (offset === null) {
          offset = await this.reached(this.address, file);
          if (offset === null) throw new Refused('This upload is not known any more. Load the page again.');
        }
        const answer = await this.chunk(file, offset);
        if (answer.arrived) return;
        offset = answer.offset;
        tries = 0;
      } catch (error) {
        if (error instanceof Refused || this.file !== file || tries >= this.data.tries) throw error;
        offset = null;
        this.show('The connection broke. Trying again ...', null);
        await new Promise((resolve) => setTimeout(resolve, BREATHS_MS[Math.min(tries, BREATHS_MS.length - 1)]));
        tries += 1;
      }
    }
    throw new Error('stopped');
  }

  chunk(file, offset) {
    const end = Math.min(offset + this.data.chunk_bytes, file.size);
    return new Promise((resolve, reject) => {
      const request = (this.request = new XMLHttpRequest());
      request.open('PATCH', this.address);
      request.setRequestHeader('Tus-Resumable', '1.0.0');
      request.setRequestHeader('Content-Type', 'application/offset+octet-stream');
      request.setRequestHeader('Upload-Offset', offset);
      request.setRequestHeader('Upload-Length', file.size);
      request.setRequestHeader('Upload-Metadata', `filename ${encoded(file.name)}`);
      if (this.address !== this.data.address) request.setRequestHeader('Upload-Page', this.data.address.split('/').pop());
      let silence = 0;
      const listen = () => {
        clearTimeout(silence);
        silence = setTimeout(() => request.abort(), SILENCE_MS);
      };
      request.upload.onloadstart = listen;
      request.upload.onloadend = () => clearTimeout(silence); // taking the file in may last
      request.upload.onprogress = (event) => {
        listen();
        const share = Math.min((offset + event.loaded) / file.size, 1);
        const words = share < 1 ? `${Math.floor(100 * share)} % of ${(file.size / 1e6).toFixed(1)} MB` : this.data.last_words;
        if (this.file === file) this.show(words, share < 1 ? share : null);
      };
      request.onerror = request.onabort = () => reject(new Error('broken'));
      request.onload = () => {
        const type = request.getResponseHeader('Content-Type') || '';
        const said = type.startsWith('application/json') ? JSON.parse(request.responseText) : {};
        if (said.refused && request.status === 200) reject(new Refused(said.refused));
        else if (request.status === 200) resolve({arrived: true});
        else if (request.status === 204) resolve({offset: Number(request.getResponseHeader('Upload-Offset'))});
        else if (request.status === 404) reject(new Refused('This upload is not known any more. Load the page again.'));
        else reject(new Error(`status ${request.status}`));
      };
      request.send(file.slice(offset, end));
    });
  }
}

export default function (component) {
  const {parentElement, data, setTriggerValue} = component;
  let uploader = instances.get(parentElement);
  if (!uploader) instances.set(parentElement, (uploader = new Uploader(parentElement)));
  uploader.tell(data, (token) => setTriggerValue('arrived', token));
}
