"use strict";
const shownPage = new FitPage(pageData());
