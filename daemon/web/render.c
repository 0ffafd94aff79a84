#include "web/render.h"

#include <stdlib.h>

enum { LEAST = 16 * 1024, MOST = 16 * 1024 * 1024 };

enum taut_status tautd_render_draw(struct tautd_render *render, tautd_render_view *view, const struct tautd_api_host *host,
                                   int station)
{
    size_t wanted = render->capacity ? render->capacity : LEAST;
    for (; wanted <= MOST; wanted *= 2) {
        if (wanted != render->capacity) {
            free(render->at);
            *render = (struct tautd_render){.at = malloc(wanted)};
            if (!render->at)
                return TAUT_E_MEMORY;
            render->capacity = wanted;
        }
        struct taut_text text;
        taut_text_init(&text, render->at, render->capacity);
        struct tautd_json json = {.borrowed_text = &text};
        view(&json, host, station);
        if (!text.full) {
            render->length = text.length;
            return TAUT_OK;
        }
    }
    return TAUT_E_MEMORY;
}

void tautd_render_free(struct tautd_render *render)
{
    free(render->at);
    *render = (struct tautd_render){0};
}
