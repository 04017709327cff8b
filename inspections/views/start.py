from django.http import HttpResponse


def start(request, **_):
    return HttpResponse("being built")
