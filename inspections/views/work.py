from django.http import HttpResponse


def work(request, **_):
    return HttpResponse("being built")
