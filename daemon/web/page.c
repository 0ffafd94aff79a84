#include "web/page.h"

#include <string.h>

/* TAUTD_PAGE_DIR is the folder page/ beside this file, given by the build. */
#define EMBED(symbol, file)                                                                                                      \
    __asm__(".pushsection .rodata\n" #symbol ":\n.incbin \"" TAUTD_PAGE_DIR "/" file "\"\n" #symbol "_end:\n.popsection\n");     \
    extern const char symbol[] __attribute__((visibility("hidden")));                                                            \
    extern const char symbol##_end[] __attribute__((visibility("hidden")))

EMBED(tautd_page_html, "index.html");
EMBED(tautd_page_css, "page.css");
EMBED(tautd_page_js, "page.js");

static const struct tautd_page_file files[] = {
    {"/",         "text/html; charset=utf-8",       tautd_page_html, tautd_page_html_end},
    {"/page.css", "text/css; charset=utf-8",        tautd_page_css,  tautd_page_css_end },
    {"/page.js",  "text/javascript; charset=utf-8", tautd_page_js,   tautd_page_js_end  },
};

const struct tautd_page_file *tautd_page_find(const char *path)
{
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++)
        if (strcmp(files[i].path, path) == 0)
            return &files[i];
    return NULL;
}
