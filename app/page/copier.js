// Copies a text to the clipboard. Browsers hand out the newer way only over https or on the same computer; on a
// plain address of a local network a field that is selected is copied, and if that fails, left to be copied by hand.

const instances = new WeakMap();

class Copier {
  constructor(root) {
    this.button = root.querySelector('button');
    this.field = root.querySelector('textarea');
    this.words = root.querySelector('p');
    this.button.addEventListener('click', () => this.copy());
  }

  tell(data) {
    if (this.data && this.data.text !== data.text) this.show('', false); // what was said of another table
    this.data = data;
    this.button.textContent = data.label;
    this.field.setAttribute('aria-label', data.by_hand_label);
    this.field.value = data.text;
  }

  async copy() {
    const text = this.data.text;
    let copied = false;
    try {
      await navigator.clipboard.writeText(text);
      copied = true;
    } catch {
      copied = this.copySelected();
    }
    this.show(copied ? this.data.done : this.data.by_hand, !copied);
    if (copied) this.button.focus();
    else this.select();
  }

  copySelected() {
    this.field.hidden = false;
    this.select();
    try {
      return document.execCommand('copy');
    } catch {
      return false;
    }
  }

  select() {
    this.field.focus({preventScroll: true});
    this.field.setSelectionRange(0, this.field.value.length); // select() alone does nothing on some phones
  }

  show(words, byHand) {
    this.words.textContent = words;
    this.field.hidden = !byHand;
  }
}

export default function (component) {
  const {parentElement, data} = component;
  let copier = instances.get(parentElement);
  if (!copier) instances.set(parentElement, (copier = new Copier(parentElement)));
  copier.tell(data);
}
