/** @file page.h  The operator's page: files embedded in the program, so that it works without any other machine. */
#ifndef TAUTD_WEB_PAGE_H
#define TAUTD_WEB_PAGE_H

#include <stddef.h>

struct tautd_page_file {
    const char *path, *content_type;
    const char *bytes, *end;
};

/** File for a path such as "/" or "/page.js"; NULL when there is none. */
const struct tautd_page_file *tautd_page_find(const char *path);

#endif
