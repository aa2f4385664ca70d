"use strict";
const shownPage = new SetupPage(pageData());
