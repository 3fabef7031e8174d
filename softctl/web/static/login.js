/** Who are you? Only where the bench asks for it. */

import { h } from "./dom.js";
import { field, form, outcome, tell, textInput } from "./forms.js";

export class Login {
  /** Show the form; resolves when the bench has let somebody in. */
  show() {
    const loading = document.getElementById("loading");
    loading.hidden = true;
    return new Promise((resolve) => {
      const place = outcome();
      const user = textInput("", { name: "user", autocomplete: "username" });
      const password = textInput("", { name: "password", type: "password", autocomplete: "current-password" });
      const body = h(
        "div",
        { class: "box login stack" },
        h("h2", { text: "Who are you?" }),
        form(
          "Sign in",
          async () => {
            const data = new URLSearchParams({ user: user.value, password: password.value });
            const answer = await fetch("/login", { method: "POST", body: data });
            if (!answer.ok) return tell(place, await refusal(answer), true);
            body.remove();
            return resolve();
          },
          place,
          field("User", user, { wide: true, hint: "Leave it empty with a token." }),
          field("Password or token", password, { wide: true }),
          h("button", { class: "main", text: "Sign in" }),
        ),
      );
      loading.after(body);
      user.focus();
    });
  }
}

async function refusal(answer) {
  const text = (await answer.text()).trim();
  return text && text.length < 200 && !text.startsWith("<") ? text : `refused (${answer.status})`;
}
