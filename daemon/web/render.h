/** @file render.h  A view drawn into memory that grows to fit. */
#ifndef TAUTD_WEB_RENDER_H
#define TAUTD_WEB_RENDER_H

#include <stddef.h>

#include "web/view.h"

/** Reused from answer to answer; zero it first, free with tautd_render_free. */
struct tautd_render {
    char *at;
    size_t capacity, length;
};

typedef void tautd_render_view(struct tautd_json *json, const struct tautd_api_host *host, int station);

/** Draw `view` anew.  @return TAUT_OK; TAUT_E_MEMORY no memory, or more than 16 MiB */
TAUT_NODISCARD enum taut_status tautd_render_draw(struct tautd_render *render, tautd_render_view *view,
                                                  const struct tautd_api_host *host, int station);

void tautd_render_free(struct tautd_render *render);

#endif
